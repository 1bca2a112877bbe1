"""A daemon with an acting board, a real X server and a real broker, for faults in the middle of a hold."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests import components
from tests.acting_board import ActingBoard
from tests.components import KeyRecorder, Subscriber, XServer, end, until

RULES = """
version: 1
source: {{type: serial, port: {port}, channels: [{{name: arm, kind: emg}}]}}
outputs:
  keys: {{type: keystrokes}}
  lamp: {{type: mqtt, host: 127.0.0.1, port: {mqtt}}}
rules:
  - name: Talk
    when: {{event: contraction}}
    then: {{hold: Space}}
  - name: Tell
    when: {{event: signal-lost}}
    then: {{publish: {{output: lamp, topic: lab/signal, payload: lost}}}}
  - name: Tell again
    when: {{event: signal-back}}
    then: {{publish: {{output: lamp, topic: lab/signal, payload: back}}}}
"""

QUICK_S = 0.3
PORT_S = 1.5


@dataclass
class Rig:
    """A running daemon, what it is fed and what it did."""

    board: ActingBoard
    server: XServer
    seen: KeyRecorder
    out: Path
    heard: Subscriber
    broker: components.Broker
    daemon: subprocess.Popen[bytes]

    def lines(self) -> list[dict[str, object]]:
        text = self.out.read_text()
        return [json.loads(line) for line in text[: text.rfind("\n") + 1].splitlines()]

    def log(self) -> str:
        return self.out.with_suffix(".log").read_text()

    def hold(self) -> None:
        """Act until the key is down."""
        downs = self.seen.told().count(("down", "space"))
        self.board.acting = True
        until(
            lambda: self.seen.told().count(("down", "space")) > downs, f"the hold; {self.log()[-800:]}", 15.0
        )

    def rest(self) -> None:
        self.board.acting = False
        until(lambda: self.server.keys_down() == [], "the release at rest")
        time.sleep(1.0)

    def pulled(self) -> float:
        """Pull the cable in the middle of a hold, put it back, hold again: seconds to the release."""
        self.hold()
        fault_s = time.monotonic()
        self.board.pull()
        took_s = self.up_after(fault_s, 6.0)
        assert self.server.keys_down() == []
        self.board.acting = False
        time.sleep(0.3)
        self.board.plug_in()
        time.sleep(2.5)
        self.hold()
        self.rest()
        return took_s

    def rested(self, *, kill_broker: bool = False) -> float:
        """Hold for half a second and rest: seconds from the rest to the release."""
        self.hold()
        time.sleep(0.5)
        while not self.server.keys_down():  # a busy machine has stopped the board for too long: once more
            self.rest()
            self.hold()
            time.sleep(0.5)
        if kill_broker:
            self.broker.stop(signal.SIGKILL)
        rested_s = time.monotonic()
        self.board.acting = False
        took_s = self.up_after(rested_s, 5.0)
        time.sleep(0.5)
        return took_s

    def up_after(self, fault_s: float, within_s: float) -> float:
        """Seconds from the fault to the release after which the key stays up."""

        def settled() -> list[float]:
            now, events = time.monotonic(), list(self.seen.seen)
            ups = [each.at for each in events if each.what == "up" and each.at > fault_s]
            quiet = bool(events) and now - events[-1].at > 0.4 and events[-1].what == "up"
            return ups if quiet else []

        ups = until(
            settled, f"the release; {self.seen.seen[-4:]} after {fault_s}; {self.log()[-1500:]}", within_s
        )
        last: float = ups[-1]
        return last - fault_s


@contextmanager
def running_rig(
    folder: Path,
    rules_text: str = RULES,
    *,
    topic: str = "lab/signal",
    environment: Mapping[str, str] | None = None,
    more: Sequence[str] = (),
) -> Iterator[Rig]:
    """In an empty folder; the daemon is armed and has learnt the resting level.

    ``environment`` is added to the daemon's, ``more`` to its command line; ``topic`` is what is listened to.
    """
    board = ActingBoard(folder / "port")
    board.plug_in()
    broker = components.Broker.make(folder / "broker").start()
    heard = Subscriber(broker.port, topic).start()
    rules, out = folder / "rules.yaml", folder / "out.jsonl"
    rules.write_text(rules_text.format(port=board.link, mqtt=broker.port))
    with components.x_server() as server:
        seen = KeyRecorder(server.display)
        own = {"XDG_RUNTIME_DIR": str(folder), "XDG_CONFIG_HOME": str(folder)}
        with out.open("wb") as stdout, out.with_suffix(".log").open("wb") as stderr:
            daemon = subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "bridge",
                    "run",
                    str(rules),
                    "--json",
                    "--no-monitor",
                    "--armed",
                    *more,
                ],
                stdout=stdout,
                stderr=stderr,
                env={**server.environment, **own, **(environment or {})},
            )
        made = Rig(board, server, seen, out, heard, broker, daemon)
        try:
            until(lambda: "source: " in made.log(), "the daemon to open the port")
            time.sleep(3.0)  # the resting level is learnt
            yield made
        finally:
            end(daemon, signal.SIGKILL)
            seen.close()
            heard.stop()
            broker.stop()
            board.pull()
