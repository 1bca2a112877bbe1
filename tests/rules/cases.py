"""Events in, actions out: a table that can be read as documentation of the rules.

Each case has a name, the rules, the events (``KIND TIME [start|end] [NAME=VALUE …]``, one a line; ``at TIME``
lets time pass), and the actions that follow, as ``TIME OUTPUT ACTION``.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Case:
    name: str
    rules: str
    events: str
    actions: str


CASES = [
    Case(
        "one event presses a key",
        "{name: A, when: {event: blink}, then: {press: a}}",
        "blink 1",
        "1 keys press a",
    ),
    Case(
        "an event of another kind does nothing",
        "{name: A, when: {event: blink}, then: {press: a}}",
        "heartbeat 1\ngaze-left 2",
        "",
    ),
    Case(
        "cooldown: 100 ms if not given, so the second of two close blinks is passed over",
        "{name: A, when: {event: blink}, then: {press: a}}",
        "blink 1\nblink 1.05\nblink 1.2",
        "1 keys press a\n1.2 keys press a",
    ),
    Case(
        "cooldown: none lets every event through",
        "{name: A, when: {event: blink}, then: {press: a}, cooldown: none}",
        "blink 1\nblink 1.05",
        "1 keys press a\n1.05 keys press a",
    ),
    Case(
        "cooldown: 2 s",
        "{name: A, when: {event: blink}, then: {press: a}, cooldown: 2 s}",
        "blink 1\nblink 2.5\nblink 3.1",
        "1 keys press a\n3.1 keys press a",
    ),
    Case(
        "deliberate: only meant blinks count",
        "{name: A, when: {event: blink, deliberate: true}, then: {press: a}}",
        "blink 1 deliberate=0\nblink 2 deliberate=1",
        "2 keys press a",
    ),
    Case(
        "stronger_than: by the person's usual blink",
        "{name: A, when: {event: blink, stronger_than: 1.5}, then: {press: a}}",
        "blink 1 strength=1.4\nblink 2 strength=1.6",
        "2 keys press a",
    ),
    Case(
        "values: bounds for what comes with the event",
        "{name: A, when: {event: heartbeat, values: {rate: {above: 100}}}, then: {press: a}}",
        "heartbeat 1 rate=90\nheartbeat 2 rate=110",
        "2 keys press a",
    ),
    Case(
        "from: a named detector",
        "{name: A, when: {event: contraction, from: left}, then: {press: a}}",
        "contraction 1 start detector=right channel=r\ncontraction 2 start detector=left channel=l",
        "2 keys press a",
    ),
    Case(
        "two blinks within 700 ms",
        "{name: A, when: {event: blink, times: 2, within: 700 ms}, then: {press: a}}",
        "blink 1\nblink 1.6\nblink 5\nblink 6",
        "1.6 keys press a",
    ),
    Case(
        "a double blink does not also fire the single-blink rule; a single one fires once the wait is over",
        "{name: One, when: {event: blink}, then: {press: a}}\n"
        "{name: Two, when: {event: blink, times: 2, within: 700 ms}, then: {press: b}}",
        "blink 1\nblink 1.5\nblink 5\nat 6",
        "1.5 keys press b\n5.7 keys press a",
    ),
    Case(
        "wait: false: the single-blink rule does not wait",
        "{name: One, when: {event: blink}, then: {press: a}, wait: false}\n"
        "{name: Two, when: {event: blink, times: 2, within: 700 ms}, then: {press: b}}",
        "blink 1\nblink 1.5",
        "1 keys press a\n1.5 keys press a\n1.5 keys press b",
    ),
    Case(
        "hold: down at the start, up at the end",
        "{name: A, when: {event: contraction}, then: {hold: Space}}",
        "contraction 1 start\ncontraction 3 end",
        "1 keys down Space\n3 keys up Space",
    ),
    Case(
        "lasting: the acceptance time; too short does nothing",
        "{name: A, when: {event: contraction, lasting: 300 ms}, then: {hold: Space}}",
        "contraction 1 start\ncontraction 1.2 end\ncontraction 2 start\nat 2.5\ncontraction 3 end",
        "2.3 keys down Space\n3 keys up Space",
    ),
    Case(
        "release: a short gap does not end it",
        "{name: A, when: {event: contraction, release: 500 ms}, then: {hold: Space}}",
        "contraction 1 start\ncontraction 2 end\ncontraction 2.2 start\ncontraction 3 end\nat 4",
        "1 keys down Space\n3.5 keys up Space",
    ),
    Case(
        "hold: the limit lets go, whatever happens",
        "{name: A, when: {event: contraction}, then: {hold: {keys: Space, limit: 2 s}}}",
        "contraction 1 start\nat 10\ncontraction 11 end",
        "1 keys down Space\n3 keys up Space",
    ),
    Case(
        "hold: a lost signal lets go",
        "{name: A, when: {event: contraction}, then: {hold: Space}}",
        "contraction 1 start channel=arm\nsignal-lost 2 channel=arm",
        "1 keys down Space\n2 keys up Space",
    ),
    Case(
        "toggle: down the first time, up the next",
        "{name: A, when: {event: blink}, then: {toggle: Shift}}",
        "blink 1\nblink 2",
        "1 keys down Shift\n2 keys up Shift",
    ),
    Case(
        "a combination of keys",
        "{name: A, when: {event: blink}, then: {press: Control+c}}",
        "blink 1",
        "1 keys press Control+c",
    ),
    Case(
        "repeat: at once, after the delay, then at the interval, until the end",
        "{name: A, when: {event: contraction}, "
        "then: {repeat: {keys: ArrowDown, delay: 500 ms, interval: 200 ms}}}",
        "contraction 1 start\nat 1.95\ncontraction 2 end\nat 5",
        "1 keys press ArrowDown\n1.5 keys press ArrowDown\n1.7 keys press ArrowDown\n"
        "1.9 keys press ArrowDown",
    ),
    Case(
        "type a text",
        "{name: A, when: {event: blink}, then: {type: hello}}",
        "blink 1",
        "1 keys type hello",
    ),
    Case(
        "sequence: a glance left, then a contraction",
        "{name: A, when: {sequence: [{event: gaze-left}, {event: contraction}], within: 1 s}, "
        "then: {press: a}}",
        "contraction 0.5 start\ncontraction 0.7 end\ngaze-left 1\ncontraction 1.5 start\ncontraction 2 end\n"
        "gaze-left 4\ncontraction 5.5 start",
        "1.5 keys press a",
    ),
    Case(
        "together: in any order within the window",
        "{name: A, when: {together: [{event: blink}, {event: contraction}], within: 300 ms}, "
        "then: {press: a}}",
        "contraction 1 start\nblink 1.2\nblink 5\ncontraction 5.5 start",
        "1.2 keys press a",
    ),
    Case(
        "level: crosses the threshold once, and again only after it has come back",
        "{name: A, when: {level: contraction-level, above: 40 %}, then: {press: a}}",
        "contraction-level 1 0.3\ncontraction-level 2 0.5\ncontraction-level 3 0.38\n"
        "contraction-level 4 0.5\n"
        "contraction-level 5 0.3\ncontraction-level 6 0.5",
        "2 keys press a\n6 keys press a",
    ),
    Case(
        "absence: no blink for 20 s",
        "{name: A, when: {no: blink, for: 20 s}, then: {press: a}}",
        "blink 1\nat 30\nblink 31\nat 60",
        "21 keys press a\n51 keys press a",
    ),
    Case(
        "several things in order, with a wait",
        "{name: A, when: {event: blink}, then: [{press: a}, {wait: 500 ms}, {press: b}]}",
        "blink 1\nat 2",
        "1 keys press a\n1.5 keys press b",
    ),
    Case(
        "at_most: twice within 10 s",
        "{name: A, when: {event: blink}, then: {press: a}, at_most: {times: 2, within: 10 s}}",
        "blink 1\nblink 2\nblink 3\nblink 12",
        "1 keys press a\n2 keys press a\n12 keys press a",
    ),
    Case(
        "pause and a rule that resumes",
        "{name: Stop, when: {event: long-closure}, then: pause}\n"
        "{name: Go, when: {event: blink, times: 3, within: 2 s}, then: resume}\n"
        "{name: A, when: {event: gaze-left}, then: {press: a}}",
        "gaze-left 1\nlong-closure 2 start\ngaze-left 3\nblink 4\nblink 4.5\nblink 5\ngaze-left 6",
        "1 keys press a\n2 rules paused true\n5 rules paused false\n6 keys press a",
    ),
    Case(
        "OSC: a lone place sends the number",
        '{name: A, when: {event: blink}, then: {send: {address: /b, arguments: ["{amplitude}", 1, up]}}}',
        "blink 1 amplitude=2.5",
        '1 sound send {"address": "/b", "arguments": [2.5, 1, "up"]}',
    ),
    Case(
        "MQTT: places for values with a number format",
        '{name: A, when: {event: heartbeat}, then: {publish: {topic: lab/heart, payload: "{rate:.0f}"}}}',
        "heartbeat 1 rate=71.6",
        '1 lamp publish {"topic": "lab/heart", "payload": "72", "qos": 0, "retain": false}',
    ),
]
