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
        "a long squeeze pauses, the next one resumes",
        "{name: Stop, when: {event: contraction, lasting: 2 s}, then: pause}\n"
        "{name: Go, when: {event: contraction, lasting: 2 s}, then: resume}\n"
        "{name: A, when: {event: gaze-left}, then: {press: a}}",
        "contraction 1 start\ncontraction 8 end\ngaze-left 9\ncontraction 10 start\ncontraction 11 end\n"
        "contraction 20 start\ncontraction 23 end\ngaze-left 24",
        "3 rules paused true\n22 rules paused false\n24 keys press a",
    ),
    Case(
        "disarm: the service lets go, and the rules go on",
        "{name: Off, when: {event: long-closure}, then: disarm}\n"
        "{name: A, when: {event: gaze-left}, then: {press: a}}",
        "long-closure 1 start\ngaze-left 2",
        "1 rules armed false\n2 keys press a",
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
    Case(
        "from: a channel works as well as a detector",
        "{name: A, when: {event: blink, from: Fp1}, then: {press: a}}",
        "blink 1 channel=Fp2\nblink 2 channel=Fp1\nblink 3 channel=Fp1+Fp2",
        "2 keys press a\n3 keys press a",
    ),
    Case(
        "edge: end waits for the end of a state",
        "{name: A, when: {event: contraction, edge: end}, then: {press: a}}",
        "contraction 1 start\ncontraction 2 end",
        "2 keys press a",
    ),
    Case(
        "without an edge the start of a state counts",
        "{name: A, when: {event: looking-left}, then: {press: ArrowLeft}}",
        "looking-left 1 start\nlooking-left 2 end",
        "1 keys press ArrowLeft",
    ),
    Case(
        "looking left holds a key until the eyes come back",
        "{name: A, when: {event: looking-left}, then: {hold: ArrowLeft}}",
        "looking-left 1 start\nlooking-left 2.5 end\nlooking-centre 2.5 start",
        "1 keys down ArrowLeft\n2.5 keys up ArrowLeft",
    ),
    Case(
        "three blinks: the double-blink rule waits for the triple one",
        "{name: Two, when: {event: blink, times: 2, within: 600 ms}, then: {press: b}}\n"
        "{name: Three, when: {event: blink, times: 3, within: 1 s}, then: {press: c}}",
        "blink 1\nblink 1.3\nblink 1.6\nblink 5\nblink 5.3\nat 7",
        "1.6 keys press c\n6 keys press b",
    ),
    Case(
        "the wait is over by time alone, no new event is needed",
        "{name: One, when: {event: blink}, then: {press: a}}\n"
        "{name: Two, when: {event: blink, times: 2, within: 700 ms}, then: {press: b}}",
        "blink 1\nat 1.6\nat 1.8",
        "1.7 keys press a",
    ),
    Case(
        "a rule for deliberate blinks does not wait for a pair of spontaneous ones it cannot be part of",
        "{name: One, when: {event: blink, deliberate: true}, then: {press: a}}\n"
        "{name: Two, when: {event: blink, deliberate: false, times: 2, within: 700 ms}, then: {press: b}}",
        "blink 1 deliberate=1",
        "1 keys press a",
    ),
    Case(
        "values: between two bounds",
        "{name: A, when: {event: blink, values: {duration: {above: 0.1, below: 0.3}}}, then: {press: a}}",
        "blink 1 duration=0.05\nblink 2 duration=0.2\nblink 3 duration=0.4",
        "2 keys press a",
    ),
    Case(
        "a value that the event does not have is no match",
        "{name: A, when: {event: blink, stronger_than: 1}, then: {press: a}}",
        "blink 1",
        "",
    ),
    Case(
        "a sequence that takes too long does not fire",
        "{name: A, when: {sequence: [{event: gaze-left}, {event: gaze-right}], within: 1 s}, then: "
        "{press: a}}",
        "gaze-left 1\ngaze-right 2.5\ngaze-left 4\ngaze-right 4.5",
        "4.5 keys press a",
    ),
    Case(
        "a sequence in the wrong order does not fire",
        "{name: A, when: {sequence: [{event: gaze-left}, {event: blink}], within: 2 s}, then: {press: a}}",
        "blink 1\ngaze-left 1.5",
        "",
    ),
    Case(
        "together: too far apart does not fire",
        "{name: A, when: {together: [{event: blink}, {event: gaze-up}]}, then: {press: a}}",
        "blink 1\ngaze-up 1.4",
        "",
    ),
    Case(
        "level: below, with where it is over",
        "{name: A, when: {level: heart-rate, below: 60, until: 65}, then: {press: a}}",
        "heart-rate 1 62\nheart-rate 2 58\nheart-rate 3 63\nheart-rate 4 58\nheart-rate 5 66\n"
        "heart-rate 6 59",
        "2 keys press a\n6 keys press a",
    ),
    Case(
        "level: above 100 beats a minute for 5 s",
        "{name: A, when: {level: heart-rate, above: 100, lasting: 5 s}, then: {press: a}}",
        "heart-rate 1 105\nheart-rate 3 95\nheart-rate 4 105\nheart-rate 8 106\nat 10",
        "9 keys press a",
    ),
    Case(
        "level: a hold lasts until the level has come back",
        "{name: A, when: {level: contraction-level, above: 0.4}, then: {hold: Space}}",
        "contraction-level 1 0.5\ncontraction-level 2 0.37\ncontraction-level 3 0.3",
        "1 keys down Space\n3 keys up Space",
    ),
    Case(
        "absence fires once, and again only after the event has come",
        "{name: A, when: {no: {event: blink, deliberate: true}, for: 5 s}, then: {press: a}}",
        "blink 1 deliberate=1\nat 20\nblink 21 deliberate=0\nat 40",
        "6 keys press a",
    ),
    Case(
        "hold for: let go after a time though the contraction goes on",
        "{name: A, when: {event: contraction}, then: {hold: {keys: Space, for: 500 ms}}}",
        "contraction 1 start\nat 3\ncontraction 4 end",
        "1 keys down Space\n1.5 keys up Space",
    ),
    Case(
        "hold: 30 s at most if no limit is given",
        "{name: A, when: {event: contraction}, then: {hold: Space}}",
        "contraction 1 start\nat 60",
        "1 keys down Space\n31 keys up Space",
    ),
    Case(
        "toggle: 5 min at most if no limit is given",
        "{name: A, when: {event: blink}, then: {toggle: Shift}}",
        "blink 1\nat 400",
        "1 keys down Shift\n301 keys up Shift",
    ),
    Case(
        "repeat: stops at its limit",
        "{name: A, when: {event: contraction}, "
        "then: {repeat: {keys: a, delay: 1 s, interval: 1 s, limit: 2.5 s}}}",
        "contraction 1 start\nat 10",
        "1 keys press a\n2 keys press a\n3 keys press a",
    ),
    Case(
        "type: places for values",
        '{name: A, when: {event: heartbeat}, then: {type: "{rate:.0f} "}}',
        "heartbeat 1 rate=66.4",
        "1 keys type 66 ",
    ),
    Case(
        "mouse: click",
        "{name: A, when: {event: blink}, then: {mouse: {click: left}}}",
        "blink 1",
        '1 keys click {"button": "left", "times": 1}',
    ),
    Case(
        "mouse: scroll up",
        "{name: A, when: {event: gaze-up}, then: {mouse: {scroll: {y: 3}}}}",
        "gaze-up 1",
        '1 keys scroll {"x": 0, "y": 3}',
    ),
    Case(
        "mouse: move",
        "{name: A, when: {event: gaze-right}, then: {mouse: {move: {x: 20}}}}",
        "gaze-right 1",
        '1 keys move {"x": 20, "y": 0}',
    ),
    Case(
        "OSC: arguments whose type is said",
        '{name: A, when: {event: heartbeat}, then: {send: {address: /h, arguments: [{int: "{rate}"}, '
        '{string: "{rate:.1f}"}, true]}}}',
        "heartbeat 1 rate=66.7",
        '1 sound send {"address": "/h", "arguments": [67, "66.7", true]}',
    ),
    Case(
        "MQTT: qos and retain",
        "{name: A, when: {event: blink}, then: {publish: {topic: a/b, payload: x, qos: 1, retain: true}}}",
        "blink 1",
        '1 lamp publish {"topic": "a/b", "payload": "x", "qos": 1, "retain": true}',
    ),
    Case(
        "MQTT: without a payload the output makes the event itself of it",
        "{name: A, when: {event: blink}, then: {publish: {topic: a/b}}}",
        "blink 1",
        '1 lamp publish {"topic": "a/b", "payload": null, "qos": 0, "retain": false}',
    ),
    Case(
        "doubled braces stand for braces",
        '{name: A, when: {event: heartbeat}, then: {publish: {topic: a, payload: "{{\\"bpm\\": '
        '{rate:.0f}}}"}}}',
        "heartbeat 1 rate=60",
        '1 lamp publish {"topic": "a", "payload": "{\\"bpm\\": 60}", "qos": 0, "retain": false}',
    ),
    Case(
        "things in order: what waits is dropped when the signal is lost",
        "{name: A, when: {event: blink}, then: [{press: a}, {wait: 1 s}, {press: b}]}",
        "blink 1 channel=Fp1\nsignal-lost 1.5 channel=Fp1\nat 5",
        "1 keys press a",
    ),
    Case(
        "signal-lost and signal-back are events like others",
        "{name: Lost, when: {event: signal-lost}, then: {publish: {topic: s, payload: lost}}}\n"
        "{name: Back, when: {event: signal-back}, then: {publish: {topic: s, payload: back}}}",
        "signal-lost 1 channel=Fp1\nsignal-back 2 channel=Fp1",
        '1 lamp publish {"topic": "s", "payload": "lost", "qos": 0, "retain": false}\n'
        '2 lamp publish {"topic": "s", "payload": "back", "qos": 0, "retain": false}',
    ),
    Case(
        "safe: what leaves things safe goes out when the signal is lost",
        "{name: A, when: {event: contraction}, then: {send: {address: /go, arguments: [1]}}, "
        "safe: {send: {address: /go, arguments: [0]}}}",
        "contraction 1 start channel=arm\nsignal-lost 2 channel=arm",
        '1 sound send {"address": "/go", "arguments": [1]}\n'
        '2 sound send {"address": "/go", "arguments": [0]}',
    ),
    Case(
        "pause lets go of what is held",
        "{name: Hold, when: {event: contraction}, then: {hold: Space}}\n"
        "{name: Stop, when: {event: long-closure}, then: pause}\n"
        "{name: Go, when: {event: gaze-up}, then: resume}",
        "contraction 1 start\nlong-closure 2 start\ncontraction 3 end",
        "1 keys down Space\n2 keys up Space\n2 rules paused true",
    ),
    Case(
        "while paused nothing fires but rules that resume",
        "{name: Stop, when: {event: long-closure}, then: pause}\n"
        "{name: Go, when: {event: gaze-up}, then: resume}\n"
        "{name: A, when: {event: blink}, then: {press: a}}",
        "long-closure 1 start\nblink 2\ngaze-up 3\nblink 4",
        "1 rules paused true\n3 rules paused false\n4 keys press a",
    ),
    Case(
        "a cooldown counts from the firing, not from what was passed over",
        "{name: A, when: {event: blink}, then: {press: a}, cooldown: 1 s}",
        "blink 1\nblink 1.9\nblink 2.5",
        "1 keys press a\n2.5 keys press a",
    ),
    Case(
        "two rules on one event fire in the order of the file",
        "{name: First, when: {event: blink}, then: {press: a}}\n"
        "{name: Second, when: {event: blink}, then: {press: b}}",
        "blink 1",
        "1 keys press a\n1 keys press b",
    ),
    Case(
        "OSC: several messages in one bundle",
        '{name: A, when: {event: heartbeat}, then: {send: {bundle: [{address: /beat}, {address: /rate, arguments: ["{rate}"]}]}}}',
        "heartbeat 1 rate=60",
        '1 sound bundle [{"address": "/beat", "arguments": []}, {"address": "/rate", "arguments": [60.0]}]',
    ),
    Case(
        "window: the actions carry the title that the keystroke output asks for",
        "{name: A, when: {event: blink}, then: {press: a}, window: Slides}",
        "blink 1",
        "1 keys press a",
    ),
]

MODES = "modes: [menu, game]\n"

MODE_CASES = [
    Case(
        "the first mode is on at the start; while: only in a mode",
        "{name: Play, when: {event: blink}, then: {mode: game}, while: menu}\n"
        "{name: Jump, when: {event: blink}, then: {press: ArrowUp}, while: game}\n"
        "{name: Back, when: {event: long-closure}, then: {mode: menu}, while: game}",
        "blink 1\nblink 2\nlong-closure 3 start\nblink 4",
        "1 rules mode game\n2 keys press ArrowUp\n3 rules mode menu\n4 rules mode game",
    ),
    Case(
        "leaving a mode lets go of what its rules hold",
        "{name: Play, when: {event: blink}, then: {mode: game}, while: menu}\n"
        "{name: Run, when: {event: contraction}, then: {hold: Shift}, while: game}\n"
        "{name: Back, when: {event: long-closure}, then: {mode: menu}, while: game}",
        "blink 1\ncontraction 2 start\nlong-closure 3 start\ncontraction 4 end",
        "1 rules mode game\n2 keys down Shift\n3 rules mode menu\n3 keys up Shift",
    ),
]

# Levels: the lines under `levels:`.
LEVEL_CASES = [
    Case(
        "a level is sent at its own rate, on a fixed grid of sample time, whatever rate it comes at",
        '{level: contraction-level, every: 500 ms, then: {send: {address: /l, arguments: ["{value}"]}}}',
        "contraction-level 0.9 0.5\ncontraction-level 1.1 0.6\ncontraction-level 1.4 0.7\nat 1.6",
        '1 sound send {"address": "/l", "arguments": [0.5]}\n'
        '1.5 sound send {"address": "/l", "arguments": [0.7]}',
    ),
    Case(
        "range and to: mapped, what lies outside counts as the end",
        "{level: heart-rate, every: 1 s, range: [60, 120], to: [0, 127], "
        'then: {send: {address: /h, arguments: ["{value}"]}}}',
        "heart-rate 0.9 90\nat 1.5\nheart-rate 1.6 200\nat 2.2",
        '1 sound send {"address": "/h", "arguments": [63.5]}\n'
        '2 sound send {"address": "/h", "arguments": [127.0]}',
    ),
    Case(
        "curve: an exponent over the range",
        "{level: contraction-level, every: 1 s, range: [0, 1], curve: 2, "
        'then: {send: {address: /c, arguments: ["{value}"]}}}',
        "contraction-level 0.9 0.5\nat 1.2",
        '1 sound send {"address": "/c", "arguments": [0.25]}',
    ),
    Case(
        "dead band: what is smaller counts as 0",
        '{level: gaze-angle, every: 1 s, dead_band: 3, then: {send: {address: /g, arguments: ["{value}"]}}}',
        "gaze-angle 0.9 2\nat 1.9\ngaze-angle 1.95 -8\nat 2.2",
        '1 sound send {"address": "/g", "arguments": [0.0]}\n'
        '2 sound send {"address": "/g", "arguments": [-8.0]}',
    ),
    Case(
        "duty: a key is down for the level's share of each period",
        "{level: contraction-level, every: 1 s, then: {duty: {keys: ArrowUp, period: 1 s}}}",
        "contraction-level 0.9 0.25\nat 1.9",
        "1 keys down ArrowUp\n1.25 keys up ArrowUp",
    ),
    Case(
        "smoothing: a first-order lag, 63 % of a step after one time constant",
        "{level: contraction-level, every: 1 s, smoothing: 1 s, "
        'then: {send: {address: /s, arguments: ["{value:.2f}"]}}}',
        "contraction-level 0.5 0\ncontraction-level 1.5 1\nat 2.1",
        '1 sound send {"address": "/s", "arguments": ["0.00"]}\n2 sound send {"address": "/s", "arguments": ["0.63"]}',
    ),
    Case(
        "mouse: the level moves the pointer; parts of a pixel are kept for the next time",
        '{level: gaze-angle, every: 1 s, then: {mouse: {move: {x: "{value}"}}}}',
        "gaze-angle 0.9 7.6\ngaze-angle 1.9 7.6\nat 2.1",
        '1 keys move {"x": 7, "y": 0}\n2 keys move {"x": 8, "y": 0}',
    ),
]
