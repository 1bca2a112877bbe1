"""Logins: kept apart from rule files, read only while nobody else can, sent to their own hosts alone."""

from __future__ import annotations

import json
import os
import pty
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.outputs import build_all
from bridge.outputs.protocol import OutputError
from bridge.rules.hosts import host_and_port, normal_host
from bridge.rules.loader import RuleFileErrors, load
from bridge.rules.reach import reaches
from bridge.trust.login import Login, LoginError, Place
from bridge.trust.login_file import LoginSpec, find_login, read_logins, write_logins

SECRET = "correct-horse-battery"
COMMAND = [sys.executable, "-m", "bridge", "login"]


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    return tmp_path / "biosignal-bridge" / "logins.yaml"


def command(home: Path, *arguments: str, given: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments],
        input=given,
        env={**os.environ, "XDG_CONFIG_HOME": str(home.parent.parent)},
        capture_output=True,
        text=True,
        timeout=60,
    )


# The borrowed file


BORROWED = """version: 1
outputs:
  lamp: {type: mqtt, host: broker.example, %s}
"""


@pytest.mark.parametrize(
    "field",
    [
        "password_file: ~/.ssh/id_ed25519",
        "username_env: HOME",
        "password_env: AWS_SECRET",
        "ca_file: /etc/ssl/x.pem",
        "password: mine",
        "token_env: X",
    ],
)
def test_a_rule_file_reaches_no_secret_and_the_error_tells_the_command(field: str) -> None:
    with pytest.raises(RuleFileErrors) as refused:
        load(BORROWED % field, "borrowed.yaml")
    (told,) = refused.value.problems
    assert (told.line, told.column) == (3, 44)
    assert "biosignal-bridge login add lamp --host broker.example" in told.mend
    assert "`login: lamp`" in told.mend


@pytest.mark.parametrize(
    "field", ["certificate: /etc/x.pem", "certificate_key: ~/.ssh/id_rsa", "token_env: HOME"]
)
def test_nor_does_a_source(field: str) -> None:
    text = f"version: 1\nsource: {{type: network, protocol: tcp, listen: 0.0.0.0, port: 9100, {field}}}\n"
    with pytest.raises(RuleFileErrors) as refused:
        load(text)
    assert any("login add NAME --host 0.0.0.0 --port 9100" in each.mend for each in refused.value.problems)


@pytest.mark.parametrize(
    "file",
    [
        "/etc/passwd",
        "~/secret.csv",
        "../other.csv",
        "a/../../b.csv",
        "C:/x.csv",
        "\\\\host\\x.csv",
        "a\\..\\..\\b",
    ],
)
def test_a_replay_does_not_leave_the_rule_files_folder(file: str) -> None:
    with pytest.raises(RuleFileErrors, match="own folder only"):
        load(f"version: 1\nsource: {{type: replay, file: '{file}'}}\n")


def test_nor_by_a_link(tmp_path: Path) -> None:
    from bridge.sources import build
    from bridge.sources.protocol import SourceError

    (tmp_path / "secret.csv").write_text("time,a\n0,1\n")
    (tmp_path / "lent").mkdir()
    (tmp_path / "lent" / "a.csv").symlink_to(tmp_path / "secret.csv")
    spec = load("version: 1\nsource: {type: replay, file: a.csv}\n").rules.source
    assert spec is not None
    with pytest.raises(SourceError, match="leads out of the rule file's folder"):
        build(spec, folder=tmp_path / "lent")


def test_no_field_of_a_rule_file_names_a_path_or_variable_but_a_recording() -> None:
    """Every field of every source and output is known here: a new one makes somebody think."""
    from bridge.rules import devices

    known = {
        *("type", "channels", "mains_hz", "reliability", "rate", "most_per_second", "seed", "name", "baud"),
        *("protocol", "format", "listen", "host", "port", "tls", "login", "anyone_on_this_computer"),
        *("client_id", "topic", "qos", "pause_key"),
        "file",  # a recording in the rule file's folder
        "socket",  # a word, in the user's runtime folder
    }
    models = (
        devices.SerialSource, devices.ReplaySource, devices.SyntheticSource, devices.LslSource,
        devices.NetworkSource, devices.KeystrokesOutput, devices.OscOutput, devices.MqttOutput, devices.LogOutput,
    )  # fmt: skip
    for model in models:
        assert set(model.model_fields) <= known, model.__name__


def test_a_login_is_not_lent_to_another_host(home: Path) -> None:
    """A borrowed file may name the login, but its own broker does not get it."""
    write_logins({"lab": LoginSpec(hosts=("broker.example",), password=SECRET)})
    rules = load("version: 1\noutputs: {a: {type: mqtt, host: evil.example, tls: true, login: lab}}\n").rules
    with pytest.raises(OutputError, match=r"is for broker\.example, not for evil\.example:8883") as refused:
        build_all(rules.outputs)
    assert SECRET not in str(refused.value)
    plain = load("version: 1\noutputs: {a: {type: mqtt, host: broker.example, login: lab}}\n").rules
    with pytest.raises(OutputError, match="over TLS only"):
        build_all(plain.outputs)
    right = load(
        "version: 1\noutputs: {a: {type: mqtt, host: Broker.Example., tls: true, login: lab}}\n"
    ).rules
    assert set(build_all(right.outputs)) == {"a"}


# RFC 4343: names are compared without regard to case; RFC 5952: one spelling of an IPv6 address.
@pytest.mark.parametrize(
    ("for_", "asked", "port", "fits"),
    [
        ("broker.example", "BROKER.example.", 1883, True),
        ("broker.example:8883", "broker.example", 8883, True),
        ("broker.example:8883", "broker.example", 1883, False),
        ("broker.example", "broker.example.evil.example", 1883, False),
        ("broker.example", "xbroker.example", 1883, False),
        ("[::1]:9100", "0:0:0:0:0:0:0:1", 9100, True),
        ("127.0.0.1", "127.0.0.2", 1, False),
        ("bücher.example", "xn--bcher-kva.example", 1, True),  # RFC 3492's own kind of example, from memory
    ],
)
def test_which_host_is_meant(for_: str, asked: str, port: int, fits: bool) -> None:
    login = Login("a", (Place(*host_and_port(for_)),), tls=False)
    if fits:
        login.check(asked, port, tls=False)
    else:
        with pytest.raises(LoginError, match="not for"):
            login.check(asked, port, tls=False)


@given(st.text(max_size=60))
def test_any_text_is_one_host_or_none(text: str) -> None:
    try:
        host = normal_host(text)
    except ValueError:
        return
    assert normal_host(host) == host
    assert "/" not in host
    assert "@" not in host


# The file


def test_the_file_is_for_its_owner_alone(home: Path) -> None:
    write_logins({"lab": LoginSpec(hosts=("broker.example",), password=SECRET)})
    assert stat.S_IMODE(home.stat().st_mode) == 0o600
    assert stat.S_IMODE(home.parent.stat().st_mode) == 0o700
    assert find_login("lab", "broker.example", 1, tls=True).password == SECRET
    for mode in (0o640, 0o604, 0o620, 0o602):
        home.chmod(mode)
        with pytest.raises(LoginError, match=f"run: chmod 600 {home}"):
            read_logins()
    home.unlink()
    os.mkfifo(home, 0o600)
    with pytest.raises(LoginError, match="not a regular file"):
        read_logins()


def test_a_secret_is_never_told(home: Path) -> None:
    assert SECRET not in repr(Login("a", (), None, SECRET))
    home.parent.mkdir()
    home.write_text(f"version: 1\nlogins:\n  a: {{hosts: [h], password: {SECRET}, keyring: true}}\n")
    home.chmod(0o600)
    with pytest.raises(LoginError) as told:
        read_logins()
    assert SECRET not in str(told.value)
    assert "logins.yaml:3:" in str(told.value)
    home.write_text(f"version: 1\nlogins:\n  a: {{hosts: [h], password: [{SECRET}]}}\n")
    with pytest.raises(LoginError) as told:
        read_logins()
    assert SECRET not in str(told.value)


# The command


def test_a_login_is_added_listed_and_removed(home: Path) -> None:
    added = command(
        home, "add", "lab-broker", "--host", "broker.example", "--username", "desk-3", given=SECRET + "\n"
    )
    assert added.returncode == 0, added.stderr
    assert "login: lab-broker" in added.stderr
    assert stat.S_IMODE(home.stat().st_mode) == 0o600
    assert find_login("lab-broker", "broker.example", 8883, tls=True, path=home).password == SECRET
    (listed,) = json.loads(command(home, "list", "--json").stdout)
    assert (listed["name"], listed["hosts"], listed["username"]) == (
        "lab-broker",
        ["broker.example"],
        "desk-3",
    )
    for said in (added, command(home, "list"), command(home, "list", "--json")):
        assert SECRET not in said.stdout + said.stderr
    again = command(home, "add", "lab-broker", "--host", "evil.example", given="x\n")
    assert again.returncode == 2
    assert "login remove lab-broker" in again.stderr
    assert command(home, "remove", "lab-broker").returncode == 0
    assert command(home, "remove", "lab-broker").returncode == 2
    assert json.loads(command(home, "list", "--json").stdout) == []


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("a", "--host", "http://x"), "host"),
        (("a",), "--host"),
        (("a b", "--host", "x"), "a b"),
        (("a", "--host", "x", "--ca-file", "/nowhere.pem"), "no file"),
    ],
)
def test_what_cannot_be_a_login_is_refused(home: Path, arguments: tuple[str, ...], told: str) -> None:
    done = command(home, "add", *arguments, given="x\n")
    assert done.returncode == 2, done.stderr
    assert told in done.stderr
    assert not home.exists()


def test_the_help_has_a_worked_example(home: Path) -> None:
    for arguments in ((), ("add",), ("list",), ("remove",)):
        assert "biosignal-bridge login" in command(home, *arguments, "--help").stdout


def test_the_password_is_asked_for_without_echo(home: Path) -> None:
    """On a terminal: the kernel would echo what is typed, so what comes back shows whether it is off."""
    ours, theirs = pty.openpty()
    process = subprocess.Popen(
        [*COMMAND, "add", "lab", "--host", "broker.example"],
        env={**os.environ, "XDG_CONFIG_HOME": str(home.parent.parent)},
        stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True,
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    while b"Password" not in seen or not seen.rstrip().endswith(b":"):
        seen += os.read(ours, 1000)
    os.write(ours, SECRET.encode() + b"\n")
    while True:
        try:
            more = os.read(ours, 1000)
        except OSError:  # EIO: the other side is closed (tty_ioctl(4), common practice)
            break
        if not more:
            break
        seen += more
    os.close(ours)
    assert process.wait(30) == 0, seen
    assert SECRET.encode() not in seen
    assert find_login("lab", "broker.example", 1, tls=True, path=home).password == SECRET


class Keyring:
    """What the library's modules look like, kept in memory."""

    def __init__(self) -> None:
        self.kept: dict[tuple[str, str], str] = {}

    def get_password(self, service: str, name: str) -> str | None:
        return self.kept.get((service, name))

    def set_password(self, service: str, name: str, secret: str) -> None:
        self.kept[service, name] = secret

    def delete_password(self, service: str, name: str) -> None:
        del self.kept[service, name]


def test_the_systems_keyring_keeps_it_instead(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Through the real library, with a backend of the test's own: no keyring runs on a test machine."""
    keyring = pytest.importorskip("keyring")
    backend = pytest.importorskip("keyring.backend")

    class Memory(backend.KeyringBackend):  # type: ignore[misc, name-defined]
        priority = 1
        kept = Keyring()

        def get_password(self, service: str, username: str) -> str | None:
            return self.kept.get_password(service, username)

        def set_password(self, service: str, username: str, password: str) -> None:
            self.kept.set_password(service, username, password)

        def delete_password(self, service: str, username: str) -> None:
            self.kept.delete_password(service, username)

    before = keyring.get_keyring()
    keyring.set_keyring(Memory())
    try:
        from click.testing import CliRunner

        from bridge.commands.login import command as group

        run: Callable[..., object] = CliRunner().invoke
        run(group, ["add", "lab", "--host", "broker.example", "--keyring"], input=SECRET + "\n")
        assert SECRET not in home.read_text()
        assert find_login("lab", "broker.example", 1, tls=True).password == SECRET
        run(group, ["remove", "lab"])
        assert Memory.kept.kept == {}
    finally:
        keyring.set_keyring(before)


# What a file reaches


REACHING = """version: 1
sources:
  head: {type: network, protocol: udp, port: 9100, anyone_on_this_computer: true, channels: [{name: a, kind: eeg}]}
  arm: {type: network, socket: arm, channels: [{name: b, kind: emg}]}
  old: {type: replay, file: night.edf}
outputs:
  lamp: {type: mqtt, host: broker.example, tls: true, login: lab}
  sound: {type: osc, host: 192.168.1.7, port: 9000}
  keys: {type: keystrokes}
rules:
  - {name: A, when: {event: blink}, then: {press: a}}
"""


def test_explain_says_every_host_port_file_and_login(tmp_path: Path) -> None:
    found = {reach.title: reach for reach in reaches(load(REACHING).rules)}
    assert found["source head"].anyone_on_this_computer
    assert found["source old"].file == "night.edf"
    assert found["source arm"].file == "arm"
    lamp = found["output lamp"]
    assert (lamp.host, lamp.port, lamp.tls, lamp.login) == ("broker.example", 8883, True, "lab")
    file = tmp_path / "r.yaml"
    file.write_text(REACHING)
    run = [sys.executable, "-m", "bridge", "rules", "explain", str(file)]
    told = subprocess.run(run, capture_output=True, text=True, timeout=60, check=True).stdout
    for word in ("127.0.0.1:9100", "anyone on this computer", "night.edf", "broker.example:8883", "login lab",
                 "192.168.1.7:9000"):  # fmt: skip
        assert word in told
    plain = json.loads(subprocess.run([*run, "--json"], capture_output=True, timeout=60, check=True).stdout)
    assert {each["reaches"] for each in plain if "reaches" in each} == set(found)
