"""Who may send samples: what could pass for the board could press keys.

A Unix socket is closed to other users by the system. Everybody else shows the token, beyond this computer
over TLS, or the rule file has said that anyone on this computer may send.
"""

from __future__ import annotations

import hmac
import ssl
from dataclasses import dataclass

from bridge.rules.hosts import is_loopback
from bridge.sources.protocol import SourceError
from bridge.trust.login import LoginError
from bridge.trust.login_file import find_login

LEAST_TOKEN = 16  # characters
LONGEST_LINE = 256  # bytes


@dataclass(frozen=True, slots=True)
class Admission:
    """``tls`` None: not encrypted; ``token`` None: whoever connects may send."""

    tls: ssl.SSLContext | None = None
    token: str | None = None

    def admits(self, line: bytes | str) -> bool:
        """Is this what the sender must give: the first line, or in OSC the first argument?"""
        if self.token is None:
            return True
        given = line.encode("utf-8", "replace") if isinstance(line, str) else line
        return hmac.compare_digest(given.strip(), self.token.encode())


ANYONE = Admission()


def admission(host: str, port: int, *, protocol: str, login: str | None, anyone: bool = False) -> Admission:
    """What a source that listens there asks of a sender. Raises SourceError where that is too little."""
    here = is_loopback(host)
    if login is None:
        if here and anyone:
            return ANYONE
        raise SourceError(
            f"whoever can send samples to {host}:{port} can press keys: give a login, or leave `protocol` "
            "out to take them from a Unix socket"
        )
    if not here and protocol != "tcp":
        raise SourceError(f"UDP is not encrypted, so it is taken on loopback only, not at {host}:{port}")
    try:
        found = find_login(login, host, port, tls=protocol == "tcp" and not here)
        tls = found.server_context() if protocol == "tcp" else None
    except LoginError as error:
        raise SourceError(str(error)) from error
    if not here and tls is None:
        raise SourceError(
            f"listening at {host}:{port}, beyond this computer, needs TLS: add the login `{login}` anew with "
            "--certificate FILE --certificate-key FILE"
        )
    token = (found.password or "").strip()
    if len(token) < LEAST_TOKEN:
        raise SourceError(
            f"the password of the login `{login}` is the token that a sender gives: it needs {LEAST_TOKEN} "
            "characters or more"
        )
    return Admission(tls, token)
