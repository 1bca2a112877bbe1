"""Who may send samples from beyond this computer: over TLS, with a token, or not at all.

Samples move hands here: what could pass for the board could press keys.
"""

from __future__ import annotations

import hmac
import ipaddress
import os
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.sources.protocol import SourceError

LEAST_TOKEN = 16  # characters
LONGEST_LINE = 256  # bytes


@dataclass(frozen=True, slots=True)
class Admission:
    """``tls`` None: not encrypted; ``token`` None: whoever connects may send."""

    tls: ssl.SSLContext | None = None
    token: str | None = None

    def admits(self, line: bytes) -> bool:
        """Is this the line that the board must send first?"""
        if self.token is None:
            return True
        return hmac.compare_digest(line.strip(), self.token.encode())


def is_loopback(host: str) -> bool:
    """Does this address or name mean this computer alone?"""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def admission(
    host: str,
    *,
    protocol: str,
    certificate: str | None = None,
    certificate_key: str | None = None,
    token_env: str | None = None,
    folder: Path | None = None,
    environment: Mapping[str, str] | None = None,
) -> Admission:
    """What a source that listens at ``host`` asks of a board. Raises SourceError where that is too little.

    Files are seen from ``folder``, the rule file's.
    """
    if not is_loopback(host):
        if protocol != "tcp":
            raise SourceError(
                "UDP is neither encrypted nor authenticated, so it is taken on loopback only, "
                f"not at {host}; write `protocol: tcp` with certificate, certificate_key and token_env"
            )
        missing = [
            name
            for name, value in (
                ("certificate", certificate),
                ("certificate_key", certificate_key),
                ("token_env", token_env),
            )
            if value is None
        ]
        if missing:
            raise SourceError(
                f"listening at {host}, beyond this computer, needs TLS and a token: give {', '.join(missing)}"
            )
    if protocol != "tcp" and (certificate or certificate_key or token_env):
        raise SourceError("certificate, certificate_key and token_env are for `protocol: tcp`")
    if (certificate is None) != (certificate_key is None):
        raise SourceError("a certificate and its key belong together: give certificate and certificate_key")
    tls = None
    if certificate is not None and certificate_key is not None:
        tls = _context(folder or Path(), certificate, certificate_key)
    return Admission(tls, _token(token_env, os.environ if environment is None else environment))


def _context(folder: Path, certificate: str, key: str) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    chain, own_key = (folder / Path(name).expanduser() for name in (certificate, key))
    try:
        context.load_cert_chain(chain, own_key)
    except (OSError, ssl.SSLError) as error:
        raise SourceError(f"the certificate {chain} with key {own_key} cannot be used: {error}") from error
    return context


def _token(variable: str | None, environment: Mapping[str, str]) -> str | None:
    if variable is None:
        return None
    token = environment.get(variable, "").strip()
    if len(token) < LEAST_TOKEN:
        raise SourceError(
            f"the environment variable {variable} must hold a token of {LEAST_TOKEN} characters or more"
        )
    return token
