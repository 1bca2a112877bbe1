"""Real components for tests: an X server and programs on it, an MQTT broker, an OSC receiver.

Each is started on a free display or loopback port and ended by its process id. A component that is not
installed fails the test with the name of what to install.
"""

from __future__ import annotations

import os
import select
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

_PACKAGES = {
    "Xvfb": "xvfb",
    "setxkbmap": "x11-xkb-utils",
    "xterm": "xterm",
    "xdotool": "xdotool",
    "mosquitto": "mosquitto",
    "oscdump": "liblo-tools",
    "openssl": "openssl",
    "faketime": "faketime",
}


def program(name: str) -> str:
    """Path of a program that the test needs; fails the test when it is not installed."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin:/usr/local/sbin:/sbin")
    if found is None:
        pytest.fail(f"this test needs {name}; on Debian: apt-get install {_PACKAGES.get(name, name)}")
    return str(found)


def stepped_clock(file: Path) -> dict[str, str]:
    """The environment of a program whose wall clock is off by what ``file`` says, such as ``+3600``; the monotonic
    clock stays, as with a real clock that is set. Uses libfaketime."""
    file.write_text("+0\n")
    asked = subprocess.run(
        [program("faketime"), "-f", "+0", "printenv", "LD_PRELOAD"],
        capture_output=True,
        text=True,
        check=True,
    )
    return {
        "LD_PRELOAD": asked.stdout.strip(),
        "FAKETIME_TIMESTAMP_FILE": str(file),
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "FAKETIME_NO_CACHE": "1",
    }


def loopback_lsl(folder: Path) -> dict[str, str]:
    """The environment in which the lab streaming layer keeps to this machine; set for this process too.

    Other machines' streams must not turn up in a test. The library reads it when it is loaded: once a process.
    """
    if "LSLAPICFG" not in os.environ:
        folder.mkdir(parents=True, exist_ok=True)
        file = folder / "lsl.cfg"
        file.write_text(
            "[multicast]\nResolveScope = machine\nAddressesOverride = {127.0.0.1}\n[lab]\nKnownPeers = {127.0.0.1}\n"
        )
        os.environ["LSLAPICFG"] = str(file)
    return {"LSLAPICFG": os.environ["LSLAPICFG"]}


def until(condition: Callable[[], Any], what: str, within_s: float = 10.0) -> Any:
    """Wait for a condition; fails the test when it does not come true. Returns what the condition gave."""
    end_s = time.monotonic() + within_s
    while time.monotonic() < end_s:
        found = condition()
        if found:
            return found
        time.sleep(0.005)
    pytest.fail(f"waited {within_s:g} s in vain for: {what}")


def end(process: subprocess.Popen[Any], number: int = signal.SIGTERM) -> None:
    """End a process that the test started, by its id, and collect it."""
    if process.poll() is None:
        with suppress(ProcessLookupError):
            process.send_signal(number)
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5)
    for stream in (process.stdin, process.stdout, process.stderr):
        if stream is not None:
            stream.close()


def free_port(kind: socket.SocketKind = socket.SOCK_STREAM) -> int:
    """A loopback port that nothing uses now."""
    with socket.socket(socket.AF_INET, kind) as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@dataclass
class XServer:
    """A virtual X server; ``display`` is its name, such as ``:101``."""

    display: str
    process: subprocess.Popen[bytes]

    @classmethod
    def start(cls, display: str | None = None) -> XServer:
        """On a free display, or again on one whose server has gone."""
        screen = ["-screen", "0", "800x600x24", "-nolisten", "tcp", "-noreset"]
        if display is not None:
            process = subprocess.Popen(
                [program("Xvfb"), display, *screen], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
            until(lambda: _connects(display), f"the X server {display}")
            return cls(display, process)
        read, write = os.pipe()
        process = subprocess.Popen(
            [program("Xvfb"), "-displayfd", str(write), *screen],
            pass_fds=(write,),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(write)
        number = b""
        while not number.endswith(b"\n"):
            ready, _, _ = select.select([read], [], [], 15)
            piece = os.read(read, 16) if ready else b""
            if not piece:
                end(process)
                pytest.fail("the X server did not start")
            number += piece
        os.close(read)
        return cls(f":{number.decode().strip()}", process)

    @property
    def environment(self) -> dict[str, str]:
        """The environment of a program that is to show on this server."""
        plain = {
            key: value for key, value in os.environ.items() if key not in ("WAYLAND_DISPLAY", "XAUTHORITY")
        }
        return {**plain, "DISPLAY": self.display}

    def layout(self, *arguments: str) -> None:
        """Set the keyboard layout: ``layout("de")``, ``layout("us,ru")``."""
        subprocess.run([program("setxkbmap"), "-display", self.display, *arguments], check=True, timeout=10)

    def keys_down(self) -> list[int]:
        """Keycodes that are down, as the server says."""
        from Xlib.display import Display

        display = Display(self.display)
        try:
            bits = display.query_keymap()
        finally:
            display.close()
        return [8 * place + bit for place, byte in enumerate(bits) for bit in range(8) if byte >> bit & 1]

    def stop(self, number: int = signal.SIGTERM) -> None:
        end(self.process, number)


def _connects(display: str) -> bool:
    from Xlib.display import Display

    with suppress(Exception):
        Display(display).close()
        return True
    return False


@contextmanager
def x_server() -> Iterator[XServer]:
    server = XServer.start()
    try:
        yield server
    finally:
        server.stop()


@dataclass(frozen=True)
class Seen:
    """An input event as an X client got it. ``at`` is the monotonic clock; ``sent`` marks synthetic ones."""

    what: str  # "down", "up", "click", "unclick", "move"
    name: str  # the keysym's name, or the button's number
    at: float
    sent: bool
    state: int
    x: int = 0
    y: int = 0


class KeyRecorder:
    """An X client with a window of its own that has the focus, and notes every key and button."""

    def __init__(self, display: str, title: str = "recorder") -> None:
        from Xlib import X
        from Xlib.display import Display

        self._x = X
        self._display = Display(display)
        self.seen: list[Seen] = []
        screen = self._display.screen()
        mask = X.KeyPressMask | X.KeyReleaseMask | X.ButtonPressMask | X.ButtonReleaseMask
        mask |= X.PointerMotionMask | X.StructureNotifyMask | X.FocusChangeMask
        self.window = screen.root.create_window(
            0, 0, 800, 600, 0, screen.root_depth, X.InputOutput, X.CopyFromParent, event_mask=mask
        )
        self.window.set_wm_name(title)
        self.window.map()
        self._display.sync()
        until(lambda: self.window.get_attributes().map_state == X.IsViewable, "the recorder's window")
        self.focus()
        self._focused = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()
        if not self._focused.wait(5):
            pytest.fail("the recorder's window did not get the focus")

    def focus(self) -> None:
        self.window.set_input_focus(self._x.RevertToParent, self._x.CurrentTime)
        self._display.sync()

    def set_title(self, title: str) -> None:
        """From another connection: the library's is busy in the reading thread."""
        from Xlib.display import Display

        other = Display(self._display.get_display_name())
        other.create_resource_object("window", self.window.id).change_text_property(
            other.intern_atom("_NET_WM_NAME"), other.intern_atom("UTF8_STRING"), title
        )
        other.sync()
        other.close()

    def _read(self) -> None:
        names = {
            self._x.KeyPress: "down",
            self._x.KeyRelease: "up",
            self._x.ButtonPress: "click",
            self._x.ButtonRelease: "unclick",
            self._x.MotionNotify: "move",
        }
        with suppress(Exception):  # the server has gone, or the test has ended
            while not self._ended:
                event = self._display.next_event()
                at = time.monotonic()
                kind = event.type & 0x7F
                if kind == self._x.FocusIn:
                    self._focused.set()
                elif kind == self._x.MappingNotify:
                    self._display.refresh_keyboard_mapping(event)
                elif kind in names:
                    name = str(event.detail)
                    if names[kind] in ("down", "up"):
                        # The event of a client without the keyboard extension does not tell the group.
                        group = self.window.query_pointer().mask & 3 << 13
                        name = keysym_name(self._display, event.detail, event.state | group)
                    place = (int(event.root_x), int(event.root_y))
                    self.seen.append(
                        Seen(names[kind], name, at, bool(event.send_event), int(event.state), *place)
                    )

    def told(self) -> list[tuple[str, str]]:
        """What came, in short: ``("down", "space")``."""
        return [(each.what, each.name) for each in list(self.seen)]

    def wait(self, what: str, name: str, count: int = 1, within_s: float = 10.0) -> Seen:
        """The ``count``-th such event, waited for."""

        def found() -> list[Seen]:
            return [each for each in list(self.seen) if (each.what, each.name) == (what, name)]

        until(
            lambda: len(found()) >= count, f"{what} of {name} (number {count}; seen {self.told()})", within_s
        )
        return found()[count - 1]

    def close(self) -> None:
        self._ended = True
        with suppress(Exception):
            self._display.close()


def keysym_name(display: Any, keycode: int, state: int) -> str:
    """Name of the keysym that a key gives in this state, by Xlib's tables (group, Shift, AltGr)."""
    from Xlib import XK

    for group in ("xf86", "latin2", "cyrillic", "greek", "xkb"):
        XK.load_keysym_group(group)
    # The second group shows as Mod5 too, to clients without the keyboard extension; so does AltGr.
    index = (state & 1) + (2 if state >> 13 & 1 else 4 if state & 0x80 else 0)
    keysym = display.keycode_to_keysym(keycode, index) or display.keycode_to_keysym(keycode, index & ~1)
    keysym = keysym or display.keycode_to_keysym(keycode, 0)
    names = [name[3:] for name in dir(XK) if name.startswith("XK_") and getattr(XK, name) == keysym]
    return min(names, key=len) if names else f"keysym {keysym:#x}"


@contextmanager
def key_recorder(server: XServer, title: str = "recorder") -> Iterator[KeyRecorder]:
    recorder = KeyRecorder(server.display, title)
    try:
        yield recorder
    finally:
        recorder.close()


@contextmanager
def terminal(server: XServer, typed: Path, title: str = "terminal") -> Iterator[subprocess.Popen[bytes]]:
    """An xterm that has the focus and writes what is typed into it to a file, line by line.

    It ignores synthetic key events, as many programs do.
    """
    command = [program("xterm"), "-T", title, "-e", "sh", "-c", f"echo ready > {typed}; cat >> {typed}"]
    process = subprocess.Popen(command, env=server.environment, stderr=subprocess.DEVNULL)
    try:
        until(lambda: typed.exists() and typed.read_text(), "the terminal")
        until(lambda: _focus_window_named(server.display, title), "the terminal's window")
        yield process
    finally:
        end(process)


def _focus_window_named(display_name: str, title: str) -> bool:
    from Xlib import X
    from Xlib.display import Display

    display = Display(display_name)
    try:
        for window in display.screen().root.query_tree().children:
            if window.get_wm_name() == title and window.get_attributes().map_state == X.IsViewable:
                window.set_input_focus(X.RevertToParent, X.CurrentTime)
                display.sync()
                return True
    finally:
        display.close()
    return False


@dataclass
class Broker:
    """An MQTT broker on a loopback port, with what its configuration says."""

    folder: Path
    port: int
    process: subprocess.Popen[bytes] | None = None

    @classmethod
    def make(cls, folder: Path, *lines: str) -> Broker:
        """Configured but not started. Without lines: open to all on loopback."""
        folder.mkdir(parents=True, exist_ok=True)
        broker = cls(folder, free_port())
        configured = lines or ("allow_anonymous true",)
        user = ("user root",) if hasattr(os, "getuid") and os.getuid() == 0 else ()
        text = "\n".join((f"listener {broker.port} 127.0.0.1", *configured, *user, "persistence false"))
        (folder / "broker.conf").write_text(text + "\n")
        return broker

    def start(self) -> Broker:
        with (self.folder / "broker.log").open("ab") as log:
            self.process = subprocess.Popen(
                [program("mosquitto"), "-c", str(self.folder / "broker.conf"), "-v"], stdout=log, stderr=log
            )
        process = self.process

        def listens() -> bool:
            if process.poll() is not None:
                pytest.fail(f"the broker ended at once: {(self.folder / 'broker.log').read_text()}")
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return True
            return False

        until(listens, "the broker")
        return self

    def log(self) -> str:
        return (self.folder / "broker.log").read_text(errors="replace")

    def stop(self, number: int = signal.SIGTERM) -> None:
        if self.process is not None:
            end(self.process, number)
            self.process = None


def password_lines(folder: Path, user: str, password: str) -> tuple[str, ...]:
    """Broker lines that ask for this user and password."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "passwords"
    path.touch(mode=0o600)
    subprocess.run(
        [program("mosquitto_passwd"), "-b", str(path), user, password],
        check=True,
        timeout=30,
        stderr=subprocess.DEVNULL,
    )
    return ("allow_anonymous false", f"password_file {path}")


@dataclass(frozen=True)
class Certificates:
    """A certificate authority of the test's own, and a server's certificate signed by it."""

    authority: Path
    certificate: Path
    key: Path

    @property
    def lines(self) -> tuple[str, ...]:
        """Broker lines that use it."""
        return ("allow_anonymous true", f"certfile {self.certificate}", f"keyfile {self.key}")


def certificates(folder: Path, host: str = "127.0.0.1") -> Certificates:
    """Made by openssl, for a host name or address."""
    folder.mkdir(parents=True, exist_ok=True)
    openssl = program("openssl")

    def run(*arguments: str) -> None:
        done = subprocess.run([openssl, *arguments], cwd=folder, capture_output=True, timeout=60, check=False)
        assert done.returncode == 0, done.stderr.decode()

    new_key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2")
    authority = ("-subj", "/CN=test authority", "-addext", "keyUsage=critical,keyCertSign,cRLSign")
    run("req", "-x509", *new_key, "-keyout", "ca.key", "-out", "ca.pem", *authority)
    kind = "IP" if host.replace(".", "").isdigit() else "DNS"
    (folder / "server.ext").write_text(f"subjectAltName={kind}:{host}\n")
    run("req", *new_key[:-2], "-keyout", "server.key", "-out", "server.csr", "-subj", f"/CN={host}")
    signed = ("-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2", "-extfile", "server.ext")
    run("x509", "-req", "-in", "server.csr", "-out", "server.pem", *signed)
    return Certificates(folder / "ca.pem", folder / "server.pem", folder / "server.key")


@dataclass(frozen=True)
class Got:
    """A message as a subscriber got it."""

    topic: str
    payload: str
    qos: int
    retain: bool
    dup: bool
    at: float
    properties: Any = None


@dataclass
class Subscriber:
    """An MQTT client that notes everything; it reconnects quickly by itself."""

    port: int
    topic: str = "#"
    got: list[Got] = field(default_factory=list)
    qos: int = 1

    def start(self) -> Subscriber:
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

        subscribed = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe(self.topic, self.qos)
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", self.port)
        self._client.loop_start()
        if not subscribed.wait(10):
            pytest.fail("the subscriber could not subscribe")
        return self

    def _take(self, _client: Any, _data: Any, message: Any) -> None:
        self.got.append(
            Got(
                message.topic,
                message.payload.decode(),
                message.qos,
                bool(message.retain),
                bool(message.dup),
                time.monotonic(),
                message.properties,
            )
        )

    def on(self, topic: str) -> list[Got]:
        return [each for each in list(self.got) if each.topic == topic]

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class OscDump:
    """An OSC receiver by another hand (liblo) that prints each message; ``lines`` are what it printed."""

    def __init__(self, port: int | None = None) -> None:
        self.port = port or free_port(socket.SOCK_DGRAM)
        # -L: line by line, else its output is lost when it is ended.
        self._process = subprocess.Popen(
            [program("oscdump"), "-L", str(self.port)], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        self.lines: list[str] = []
        threading.Thread(target=self._read, daemon=True).start()
        until(self._bound, "the OSC receiver")

    def _bound(self) -> bool:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            try:
                sock.bind(("0.0.0.0", self.port))
            except OSError:
                return True
        return False

    def _read(self) -> None:
        assert self._process.stdout is not None
        with suppress(ValueError, OSError):
            for line in self._process.stdout:
                self.lines.append(line.decode(errors="replace").rstrip("\n"))

    def wait(self, count: int, within_s: float = 10.0) -> list[str]:
        until(lambda: len(self.lines) >= count, f"{count} OSC messages (got {self.lines})", within_s)
        return list(self.lines)

    def close(self) -> None:
        end(self._process)


def python() -> list[str]:
    """The interpreter that runs the tests, for programs of theirs."""
    return [sys.executable, "-P"]
