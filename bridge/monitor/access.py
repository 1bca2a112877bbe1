"""Who may see and who may steer: tokens, Host and Origin, safe headers.

Other users of the machine and any web page can reach a loopback port, so whatever tells or steers needs a
token: in the link, as ``Authorization: Bearer``, or in the first message of a WebSocket. No cookie holds it:
a browser sends those to every port of a host (RFC 6265, 8.5), so that another service could use it. A request
must name this host (against DNS rebinding), and a WebSocket must come from this very page (browsers let any
site open one). The stream for other programs (``stream.py``) is for any origin that has the token: it tells
and takes nothing.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from enum import Enum

from aiohttp import web


class Role(Enum):
    WATCH = "watch"
    CONTROL = "control"


class Access:
    """The tokens of one run of the daemon."""

    def __init__(self) -> None:
        self._tokens = {role: secrets.token_urlsafe(32) for role in Role}
        self._origins: frozenset[str] = frozenset()
        self._policy = ""

    def listen_on(self, host: str, port: int) -> None:
        """Fix the addresses that requests may name."""
        shown = f"[{host}]" if ":" in host else host
        self._origins = frozenset({f"http://{shown}:{port}", f"http://localhost:{port}"})
        sockets = " ".join(sorted(origin.replace("http", "ws", 1) for origin in self._origins))
        self._policy = (
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
            f"connect-src 'self' {sockets}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
            "require-trusted-types-for 'script'; trusted-types 'none'"
        )
        self._link = f"http://{shown}:{port}/"

    def link(self, role: Role, path: str = "") -> str:
        return f"{self._link}{path}?token={self._tokens[role]}"

    def host_allowed(self, request: web.Request) -> bool:
        return f"http://{request.headers.get('Host', '').lower()}" in self._origins

    def given_token(self, request: web.Request) -> str | None:
        """The token that the request carries in its link or header, right or wrong."""
        kind, _, value = request.headers.get("Authorization", "").partition(" ")
        if kind.lower() == "bearer":
            return value.strip()
        return request.query.get("token")

    def role(self, token: str | None) -> Role | None:
        """What the bearer of the token may do; None: nothing."""
        return None if token is None else _match(token, self._tokens)

    def origin_allowed(self, request: web.Request) -> bool:
        """A browser always names its origin on a WebSocket; a script without one brings a token later."""
        origin = request.headers.get("Origin")
        if origin is None:
            return True
        return origin in self._origins and origin == f"http://{request.headers.get('Host', '').lower()}"

    def protect(self, response: web.StreamResponse) -> None:
        """Headers for every answer."""
        response.headers.update(
            {
                "Content-Security-Policy": self._policy,
                "X-Content-Type-Options": "nosniff",
                "X-Frame-Options": "DENY",
                "Referrer-Policy": "no-referrer",
                "Cross-Origin-Opener-Policy": "same-origin",
                "Cross-Origin-Resource-Policy": "same-origin",
                "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
                "Cache-Control": "no-store",
            }
        )


def check_loopback(host: str) -> None:
    """Raises ValueError unless ``host`` is a loopback address: the page has no encryption."""
    try:
        loopback = host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        loopback = False
    if not loopback:
        raise ValueError(f"the monitor listens on loopback only (127.0.0.1 or ::1), not on {host!r}")


def _match(given: str, known: dict[Role, str]) -> Role | None:
    found = None
    for role, value in known.items():
        if hmac.compare_digest(given.encode("utf-8", "surrogatepass"), value.encode()):
            found = role
    return found
