"""A login: who we say we are to which hosts, and what whoever connects to us there must say."""

from __future__ import annotations

import ssl
from dataclasses import dataclass, field
from pathlib import Path

from bridge.rules.hosts import normal_host


class LoginError(Exception):
    """A login cannot be used; the message says why and what to do, and never tells a secret."""


@dataclass(frozen=True, slots=True)
class Place:
    """A host in its one spelling; ``port`` None: every port of it."""

    host: str
    port: int | None = None

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port is None else f"{host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Login:
    """``tls``: goes over TLS only. Files: PEM, of the authority, of a certificate of ours and of its key."""

    name: str
    places: tuple[Place, ...]
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = True
    ca_file: Path | None = None
    certificate: Path | None = None
    certificate_key: Path | None = None

    def check(self, host: str, port: int, *, tls: bool) -> None:
        """Is it meant for this host and port, and may it go there like this? Raises LoginError."""
        try:
            wanted = normal_host(host)
        except ValueError as error:
            raise LoginError(str(error)) from None
        if not any(place.host == wanted and place.port in (None, port) for place in self.places):
            meant = ", ".join(map(str, self.places))
            raise LoginError(
                f"the login `{self.name}` is for {meant}, not for {Place(wanted, port)}; "
                f"give that its own: {add_command('NAME', host, port)}"
            )
        if self.tls and not tls:
            raise LoginError(
                f"the login `{self.name}` goes over TLS only; turn TLS on, or, where nobody else is on the "
                f"way, add the login anew with --no-tls"
            )

    def client_context(self) -> ssl.SSLContext:
        """TLS towards a server, which must show a certificate for its name. Raises LoginError."""
        return client_context(self.ca_file, self.certificate, self.certificate_key)

    def server_context(self) -> ssl.SSLContext | None:
        """TLS for those who connect to us, with our certificate; None without one. Raises LoginError."""
        if self.certificate is None:
            return None
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        _load_chain(context, self.certificate, self.certificate_key)
        return context


def client_context(
    ca_file: Path | None = None, certificate: Path | None = None, certificate_key: Path | None = None
) -> ssl.SSLContext:
    """TLS with the system's authorities, or those of ``ca_file``. Raises LoginError."""
    try:
        context = ssl.create_default_context(cafile=None if ca_file is None else str(ca_file))
    except (OSError, ssl.SSLError) as error:
        raise LoginError(f"the certificate authority {ca_file} cannot be used: {error}") from error
    if certificate is not None:
        _load_chain(context, certificate, certificate_key)
    return context


def _load_chain(context: ssl.SSLContext, certificate: Path, key: Path | None) -> None:
    try:
        # An encrypted key would ask on the terminal: an empty password fails instead.
        context.load_cert_chain(certificate, key, password="")
    except (OSError, ssl.SSLError, ValueError) as error:
        raise LoginError(f"the certificate {certificate} with key {key} cannot be used: {error}") from error


def add_command(name: str, host: str, port: int | None = None) -> str:
    """What to type to make a login."""
    more = "" if port is None else f" --port {port}"
    return f"biosignal-bridge login add {name} --host {host}{more}"
