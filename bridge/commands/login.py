"""`login`: names and passwords, kept out of rule files and bound to hosts."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from bridge.commands.recording_options import InvalidInput, needing

_as_json = click.option("--json", "as_json", is_flag=True, help="JSON on stdout.")


@click.group(epilog="Example: biosignal-bridge login list")
def command() -> None:
    """Keep passwords, tokens and certificates under a name that rule files may use.

    A rule file says `login: NAME`. The login goes to the hosts that it was added for, and to no other.
    """


@command.command(
    epilog="Example: biosignal-bridge login add lab-broker --host broker.example --username desk-3 "
    "< password.txt"
)
@click.argument("name")
@click.option(
    "--host", "hosts", multiple=True, required=True, metavar="HOST", help="A host it is for; repeat it."
)
@click.option("--port", type=click.IntRange(1, 65535), help="Only this port of the hosts; else every port.")
@click.option("--username", metavar="USER", help="The user name, where one is needed.")
@click.option("--no-password", is_flag=True, help="Ask for none: the certificates are all there is.")
@click.option(
    "--keyring",
    is_flag=True,
    callback=needing("keyring"),
    help="Keep the password in the system's keyring, not in the file.",
)
@click.option(
    "--tls/--no-tls",
    default=None,
    help="Whether it goes over TLS only; yes, if not given, but for this computer itself.",
)
@click.option("--ca-file", type=click.Path(path_type=Path), help="The authority of the other side (PEM).")
@click.option("--certificate", type=click.Path(path_type=Path), help="The certificate we show (PEM).")
@click.option("--certificate-key", type=click.Path(path_type=Path), help="Its key (PEM).")
def add(
    name: str,
    hosts: tuple[str, ...],
    port: int | None,
    username: str | None,
    no_password: bool,
    keyring: bool,
    tls: bool | None,
    ca_file: Path | None,
    certificate: Path | None,
    certificate_key: Path | None,
) -> None:
    """Add the login NAME. The password is asked for without echo, or is one line of standard input."""
    from pydantic import ValidationError

    from bridge.rules.hosts import host_and_port, is_loopback
    from bridge.trust import keyring_store
    from bridge.trust.login import LoginError, Place
    from bridge.trust.login_file import LoginFile, LoginSpec, read_logins, write_logins

    try:
        places = [host_and_port(host) for host in hosts]
    except ValueError as error:
        raise click.UsageError(f"--host: {error}") from error
    for file in (ca_file, certificate, certificate_key):
        if file is not None and not file.expanduser().is_file():
            raise click.UsageError(f"there is no file {file}")
    try:
        logins = read_logins()
        if name in logins:
            raise InvalidInput(
                f"there is a login `{name}` already; run: biosignal-bridge login remove {name}"
            )
        secret = None if no_password else _secret(name)
        spec = LoginSpec.model_validate(
            {
                "hosts": [str(Place(host, given or port)) for host, given in places],
                "username": username,
                "password": None if keyring else secret,
                "keyring": keyring and secret is not None,
                "tls": not all(is_loopback(host) for host, _ in places) if tls is None else tls,
                "ca_file": _whole(ca_file),
                "certificate": _whole(certificate),
                "certificate_key": _whole(certificate_key),
            }
        )
        LoginFile.model_validate({"logins": {name: spec}})
        if keyring and secret is not None:
            keyring_store.keep(name, secret)
        write_logins({**logins, name: spec})
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        raise InvalidInput(str((first.get("ctx") or {}).get("what", first["msg"]))) from None
    except LoginError as error:
        raise click.ClickException(str(error)) from error
    click.echo(f"added; a rule file uses it with `login: {name}`", err=True)


def _secret(name: str) -> str:
    if sys.stdin.isatty():
        secret = str(click.prompt(f"Password or token of {name}", hide_input=True, err=True))
    else:
        secret = sys.stdin.readline().rstrip("\r\n")
    if not secret.strip():
        raise InvalidInput("no password was given; with --no-password none is asked for")
    return secret


def _whole(file: Path | None) -> str | None:
    return None if file is None else str(file.expanduser().resolve())


@command.command("list", epilog="Example: biosignal-bridge login list --json")
@_as_json
def list_(as_json: bool) -> None:
    """List the logins and the hosts that they are for; never their secrets."""
    from bridge.trust.login import LoginError
    from bridge.trust.login_file import logins_path, read_logins

    try:
        logins = read_logins()
    except LoginError as error:
        raise click.ClickException(str(error)) from error
    if as_json:
        plain = [
            {
                "name": name,
                "hosts": list(spec.hosts),
                "username": spec.username,
                "password": "keyring" if spec.keyring else "file" if spec.password is not None else None,
                "tls": spec.tls,
                "ca_file": spec.ca_file,
                "certificate": spec.certificate,
            }
            for name, spec in logins.items()
        ]
        click.echo(json.dumps(plain, ensure_ascii=False))
        return
    if not logins:
        click.echo(f"no logins in {logins_path()}", err=True)
    for name, spec in logins.items():
        user = f", as {spec.username}" if spec.username else ""
        only = ", over TLS only" if spec.tls else ""
        kept = ", in the keyring" if spec.keyring else ""
        click.echo(f"{name}: for {', '.join(spec.hosts)}{user}{only}{kept}")


@command.command(epilog="Example: biosignal-bridge login remove lab-broker")
@click.argument("name")
def remove(name: str) -> None:
    """Remove the login NAME and forget its password."""
    from bridge.trust import keyring_store
    from bridge.trust.login import LoginError
    from bridge.trust.login_file import read_logins, write_logins

    try:
        logins = dict(read_logins())
        spec = logins.pop(name, None)
        if spec is None:
            known = ", ".join(logins) or "none"
            raise InvalidInput(f"there is no login `{name}`; there are: {known}")
        if spec.keyring:
            keyring_store.forget(name)
        write_logins(logins)
    except LoginError as error:
        raise click.ClickException(str(error)) from error
    click.echo("removed", err=True)
