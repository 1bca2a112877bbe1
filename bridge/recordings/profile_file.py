"""Profiles on disk: where they are kept, read whole, written whole or not at all."""

from __future__ import annotations

import re
from pathlib import Path

from bridge.calibration.profile import Profile, ProfileError
from bridge.calibration.profile_text import dump_profile, load_profile
from bridge.trust.files import read_regular_file, write_whole

_MOST_BYTES = 4_000_000


def profile_path(person: str, device: str) -> Path:
    """Where the profile of a person on a device is kept: the user's data folder (XDG on Linux)."""
    from platformdirs import user_data_path

    return user_data_path("biosignal-bridge") / "profiles" / _plain(person) / f"{_plain(device)}.yaml"


def sessions_path() -> Path:
    """Where calibration sessions are recorded when nothing else is said."""
    from platformdirs import user_data_path

    return user_data_path("biosignal-bridge") / "sessions"


def _plain(name: str) -> str:
    """A name as part of a path: letters, digits, dash and underscore. Raises ProfileError without any."""
    plain = re.sub(r"[^\w-]+", "-", name.strip(), flags=re.UNICODE).strip("-")
    if not plain:
        raise ProfileError(f"{name!r} cannot name a profile: letters or digits are needed")
    return plain[:80]


def read_profile_file(path: str | Path) -> Profile:
    """A profile from a file. Raises ProfileError where it cannot be read or is no profile."""
    path = Path(path)
    try:
        text = read_regular_file(path, _MOST_BYTES).decode("utf-8")
    except OSError as error:
        raise ProfileError(f"{path}: cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise ProfileError(f"{path}: is not UTF-8 text (byte {error.start})") from error
    return load_profile(text, str(path))


def write_profile_file(path: str | Path, profile: Profile) -> None:
    """Write a profile: a reader sees the old file or the new one, whatever happens. Raises ProfileError."""
    path = Path(path)
    text = dump_profile(profile)
    load_profile(text, str(path))  # never leave behind what cannot be read
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_whole(path, text)
    except OSError as error:
        raise ProfileError(f"{path}: cannot be written ({error.strerror})") from error
