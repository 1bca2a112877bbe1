"""How sending stands: one true state, and its sentence for the log, `status`, the page and the terminal."""

from __future__ import annotations

from dataclasses import dataclass

STATES = ("armed", "armed-unable", "disarmed", "live", "paused", "no-signal")


@dataclass(frozen=True, slots=True)
class Standing:
    """``paused_by``: who paused, in words, None while not paused. ``disarmed_by``: who disarmed, if it was
    armed before. ``unable``: why no keystroke can be sent now, empty when one can. ``silent``: streams that
    bring no samples; ``all_silent`` when none does. Without keystrokes (``has_keys``) nothing is said of
    arming.
    """

    armed: bool = False
    paused_by: str | None = None
    disarmed_by: str = ""
    unable: str = ""
    silent: tuple[str, ...] = ()
    all_silent: bool = False
    has_keys: bool = True
    dry_run: bool = False

    @property
    def state(self) -> str:
        """One of ``STATES``."""
        if self.paused_by is not None:
            return "paused"
        if self.all_silent:
            return "no-signal"
        if not self.has_keys and not self.dry_run:
            return "live"
        if not self.armed:
            return "disarmed"
        return "armed-unable" if self.unable else "armed"

    @property
    def name(self) -> str:
        """The state in few words."""
        match self.state:
            case "paused":
                return f"paused by {self.paused_by}" if self.paused_by else "paused"
            case "no-signal":
                return "no signal"
            case _ if self.dry_run:
                return "dry run"
            case "armed-unable":
                return "armed, but unable"
            case "disarmed" if self.disarmed_by:
                return f"disarmed by {self.disarmed_by}"
            case state:
                return state

    @property
    def meaning(self) -> str:
        """What is sent in this state."""
        match self.state:
            case "paused":
                return "nothing is sent"
            case "no-signal":
                then = "dry run" if self.dry_run else "armed" if self.armed else "disarmed"
                after = f" ({then})" if self.dry_run or self.has_keys else ""
                return f"no samples arrive, so no rule can fire{after}"
            case _ if self.dry_run:
                said = "actions are shown, not sent"
            case "armed-unable":
                said = f"no keystroke can be sent, because {self.unable}"
            case "armed":
                said = "keystrokes are sent"
            case "live":
                said = "what the rules say is sent"
            case _:
                said = "keystrokes are not sent"
        return f"{said}; no samples from {', '.join(self.silent)}" if self.silent else said

    @property
    def sentence(self) -> str:
        return f"{self.name}: {self.meaning}"

    def to_json(self) -> dict[str, object]:
        """For `status --json`, the page and its ``/status``."""
        return {
            "state": self.state,
            "sentence": self.sentence,
            "armed": self.armed,
            "can_arm": self.has_keys and not self.dry_run,
        }
