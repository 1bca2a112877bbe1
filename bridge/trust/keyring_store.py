"""Passwords in the system's keyring, through the `keyring` library where it is installed."""

from __future__ import annotations

from types import ModuleType

from bridge.extras import MissingExtraError, need
from bridge.trust.login import LoginError

SERVICE = "biosignal-bridge"


def _keyring() -> ModuleType:
    try:
        need("keyring", "the system's keyring")
    except MissingExtraError as error:
        raise LoginError(f"{error}, or keep the password in the file") from None
    import keyring

    return keyring


def password(name: str) -> str:
    """Raises LoginError when the keyring is locked, absent or does not hold it."""
    found = _asked("read", name)
    if found is None:
        raise LoginError(f"the keyring holds no password for the login `{name}`; remove and add the login")
    return found


def keep(name: str, secret: str) -> None:
    """Raises LoginError."""
    _asked("write", name, secret)


def forget(name: str) -> None:
    """Raises LoginError."""
    _asked("delete", name)


def _asked(what: str, name: str, secret: str = "") -> str | None:
    keyring = _keyring()
    try:
        if what == "read":
            found = keyring.get_password(SERVICE, name)
            return None if found is None else str(found)
        if what == "write":
            keyring.set_password(SERVICE, name, secret)
        elif keyring.get_password(SERVICE, name) is not None:
            keyring.delete_password(SERVICE, name)
    except Exception as error:  # each system's keyring has errors of its own
        raise LoginError(f"the system's keyring cannot {what} it: {error}") from error
    return None
