"""Who may see and who may steer: tokens, the cookie after first use, Host and Origin, safe headers.

Other users of the machine and any web page can reach a loopback port, so every request needs a token (in
the link, as ``Authorization: Bearer``, or the cookie that the link sets), must name this host (against DNS
rebinding), and a WebSocket must come from this very page (browsers let any site open one).
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
        self._cookies = {role: secrets.token_urlsafe(32) for role in Role}
        self._port = 0
        self._origins: frozenset[str] = frozenset()
        self._policy = ""

    def listen_on(self, host: str, port: int) -> None:
        """Fix the addresses that requests may name."""
        shown = f"[{host}]" if ":" in host else host
        self._port = port
        self._origins = frozenset({f"http://{shown}:{port}", f"http://localhost:{port}"})
        sockets = " ".join(sorted(origin.replace("http", "ws", 1) for origin in self._origins))
        self._policy = (
            "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
            f"connect-src 'self' {sockets}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
            "require-trusted-types-for 'script'; trusted-types 'none'"
        )
        self._link = f"http://{shown}:{port}/"

    def link(self, role: Role) -> str:
        return f"{self._link}?token={self._tokens[role]}"

    @property
    def cookie_name(self) -> str:
        # Cookies are shared by all ports of a host; two daemons must not undo each other's.
        return f"bridge-{self._port}"

    def host_allowed(self, request: web.Request) -> bool:
        return f"http://{request.headers.get('Host', '').lower()}" in self._origins

    def given_token(self, request: web.Request) -> str | None:
        """The token that the request carries in its link or header, right or wrong."""
        kind, _, value = request.headers.get("Authorization", "").partition(" ")
        if kind.lower() == "bearer":
            return value.strip()
        return request.query.get("token")

    def role(self, request: web.Request) -> Role | None:
        """What the request may do; None: nothing. A wrong token is refused even beside a right cookie."""
        token = self.given_token(request)
        if token is not None:
            return _match(token, self._tokens)
        return _match(request.cookies.get(self.cookie_name, ""), self._cookies)

    def origin_allowed(self, request: web.Request) -> bool:
        """A browser always names its origin on a WebSocket; a script without one must bring a token."""
        origin = request.headers.get("Origin")
        if origin is None:
            return self.given_token(request) is not None
        return origin in self._origins and origin == f"http://{request.headers.get('Host', '').lower()}"

    def remember(self, response: web.StreamResponse, role: Role) -> None:
        response.set_cookie(self.cookie_name, self._cookies[role], httponly=True, samesite="Strict", path="/")

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
