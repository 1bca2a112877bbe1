"""`logins.yaml` in the configuration folder: read only while nobody else may, written whole or not at all."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path
from typing import Annotated, Any

import yaml
from pydantic import BeforeValidator, Field, ValidationError, model_validator

from bridge.rules.document import DocumentError, read
from bridge.rules.hosts import host_and_port
from bridge.rules.mending import problems_of
from bridge.rules.problems import Problem
from bridge.rules.strict import Name, Strict, Text, Truth, Word, as_list
from bridge.rules.words import Unknown, problem
from bridge.trust import keyring_store
from bridge.trust.files import read_regular_file, write_whole
from bridge.trust.login import Login, LoginError, Place, add_command
from bridge.trust.places import config_folder, make_private

FILE_NAME = "logins.yaml"
_MOST_BYTES = 1_000_000
_LONGEST_SECRET = 4096
_HEAD = "# Written by `biosignal-bridge login`. Never share this file.\n"


def _host(value: Any) -> str:
    try:
        host_and_port(str(value))
    except ValueError as error:
        raise problem(str(error), "write `host` or `host:port`") from None
    return str(value)


def _secret(value: Any) -> str:
    if not isinstance(value, str) or not value or len(value) > _LONGEST_SECRET:
        raise problem("this is no password", f"write a text of at most {_LONGEST_SECRET} characters")
    return str(value)


class LoginSpec(Strict):
    """One login as the file has it."""

    hosts: Annotated[
        tuple[Annotated[str, BeforeValidator(_host)], ...],
        BeforeValidator(as_list),
        Field(min_length=1, max_length=20),
    ]
    username: Text | None = None
    password: Annotated[str, BeforeValidator(_secret)] | None = None
    keyring: Truth = False
    tls: Truth = True
    ca_file: Name | None = None
    certificate: Name | None = None
    certificate_key: Name | None = None

    @model_validator(mode="after")
    def _whole(self) -> LoginSpec:
        if self.keyring and self.password is not None:
            raise problem("the password is here and in the keyring", "keep one of `password` and `keyring`")
        if (self.certificate is None) != (self.certificate_key is None):
            raise problem(
                "a certificate and its key belong together", "give `certificate` and `certificate_key`"
            )
        return self


class LoginFile(Strict):
    """The whole file."""

    version: Annotated[int, Field(ge=1, le=1)] = 1
    logins: Annotated[dict[Word, LoginSpec], Field(default_factory=dict, max_length=1000)]


def logins_path() -> Path:
    return config_folder() / FILE_NAME


def read_logins(path: Path | None = None) -> dict[str, LoginSpec]:
    """What the file holds; nothing when there is none. Raises LoginError, also where others may read it."""
    path = logins_path() if path is None else path
    try:
        text = read_regular_file(path, _MOST_BYTES, lambda status: _check_private(path, status))
    except (FileNotFoundError, NotADirectoryError):
        return {}
    except OSError as error:
        raise LoginError(f"{path} cannot be read: {error.strerror}") from error
    try:
        root, problems = read(text)
        if problems:
            raise DocumentError(problems)
        return LoginFile.model_validate(root.data).logins
    except DocumentError as error:
        raise LoginError(_told(path, error.problems)) from None
    except ValidationError as error:
        # Without the values: one of them may be a secret.
        errors: list[Any] = [
            {**each, "input": each["input"] if isinstance(each["input"], Unknown) else "what is there"}
            for each in error.errors(include_url=False)
        ]
        found = problems_of(errors, root)
        raise LoginError(_told(path, found)) from None


def _told(path: Path, problems: list[Problem]) -> str:
    return "\n".join(each.text(str(path)) for each in problems)


def _check_private(path: Path, status: os.stat_result) -> None:
    if sys.platform == "win32":
        return
    if status.st_uid not in (os.getuid(), 0):
        raise LoginError(f"{path} belongs to another user; remove it")
    if stat.S_IMODE(status.st_mode) & 0o077:
        raise LoginError(f"others may read {path}; run: chmod 600 {path}")


def write_logins(logins: dict[str, LoginSpec], path: Path | None = None) -> None:
    """Put the file in its place as a whole, for us alone. Raises LoginError."""
    path = logins_path() if path is None else path
    plain = {
        name: {
            key: list(value) if isinstance(value, tuple) else value
            for key, value in spec.model_dump(exclude_defaults=True).items()
        }
        for name, spec in logins.items()
    }
    text = _HEAD + yaml.safe_dump({"version": 1, "logins": plain}, allow_unicode=True, sort_keys=False)
    try:
        make_private(path.parent)
        write_whole(path, text)
    except OSError as error:
        raise LoginError(f"{path} cannot be written: {error.strerror or error}") from error


def find_login(name: str, host: str, port: int, *, tls: bool, path: Path | None = None) -> Login:
    """The login of this name, if it is meant for this place. Raises LoginError.

    Nothing secret is looked up before the place has been found right. Files that a login names are seen from
    the configuration folder.
    """
    path = logins_path() if path is None else path
    spec = read_logins(path).get(name)
    if spec is None:
        raise LoginError(f"there is no login `{name}` in {path}; run: {add_command(name, host, port)}")
    login = Login(name, places_of(spec), spec.username, None, spec.tls)
    login.check(host, port, tls=tls)
    ca_file, certificate, key = (
        None if file is None else path.parent / Path(file).expanduser()
        for file in (spec.ca_file, spec.certificate, spec.certificate_key)
    )
    password = keyring_store.password(name) if spec.keyring else spec.password
    return Login(name, login.places, spec.username, password, spec.tls, ca_file, certificate, key)


def places_of(spec: LoginSpec) -> tuple[Place, ...]:
    return tuple(Place(*host_and_port(text)) for text in spec.hosts)
