"""The profile in force, the file that it is kept in, and what changes it while the daemon runs."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from bridge.calibration.profile import Profile, ProfileError, set_by_hand
from bridge.recordings.profile_file import read_profile_file, write_profile_file
from bridge.signals.types import Channel


class FittedProfile:
    """``use`` makes detectors work with a profile; it raises ValueError where the profile does not hold.

    ``signal_of`` tells the channels and the rate that a detector works on; where it is given, settings can be
    kept before there is a profile, which is then made.
    """

    def __init__(
        self,
        path: Path | None,
        profile: Profile | None,
        use: Callable[[], None],
        *,
        signal_of: Callable[[str], tuple[Sequence[Channel], float]] | None = None,
    ) -> None:
        self.path = path
        self.profile = profile
        self._use = use
        self._signal_of = signal_of

    @property
    def can_keep(self) -> bool:
        return self.path is not None and (self.profile is not None or self._signal_of is not None)

    @property
    def base(self) -> Profile | None:
        """What a new calibration is added to: the profile in force, else the file's. Raises ProfileError."""
        if self.profile is None and self.path is not None and self.path.exists():
            return read_profile_file(self.path)
        return self.profile

    def keep(self, detector: str, settings: Mapping[str, Any]) -> None:
        """Change a detector's settings by hand, from now on. Raises ProfileError or BindingError."""
        profile = self.profile
        if self._signal_of is not None and (profile is None or detector not in profile.detectors):
            channels, rate_hz = self._signal_of(detector)
            part = set_by_hand(detector, channels, rate_hz, datetime.now(UTC).isoformat(timespec="seconds"))
            profile = profile or Profile("me", "board")
            profile = replace(profile, detectors={**profile.detectors, detector: part})
        if profile is None:
            raise ProfileError("there is no profile; calibrate first, or start with --profile")
        self.take(profile.with_settings(detector, settings))

    def take(self, profile: Profile) -> None:
        """Work with this profile and write it down. Raises ProfileError or BindingError: nothing changed."""
        before, self.profile = self.profile, profile
        try:
            self._use()
            if self.path is not None:
                write_profile_file(self.path, profile)
        except ValueError:
            self.profile = before
            self._use()
            raise
