"""Faulty rule files: every mistake is found at its place, with the mend; hostile ones are refused quickly."""

from __future__ import annotations

import random
import tracemalloc
from dataclasses import dataclass

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.commands.ready_files import ready_files
from bridge.rules.loader import RuleFileErrors, load
from bridge.rules.problems import Problem

HEAD = """version: 1
source: {type: synthetic}
outputs:
  keys: {type: keystrokes}
  sound: {type: osc, port: 9000}
  lamp: {type: mqtt, host: localhost}
modes: [one, two]
rules:
"""
LINE = HEAD.count("\n")  # rules begin on the line after


def problems(text: str | bytes) -> tuple[Problem, ...]:
    with pytest.raises(RuleFileErrors) as caught:
        load(text)
    return tuple(item for item in caught.value.problems if item.severity == "error")


@dataclass(frozen=True)
class Fault:
    rule: str  # lines under `rules:`
    line: int  # counted from the first of them
    what: str
    mend: str = ""


# A name for each fault: the rule's lines, the line it is on, words of the message, words of the mend.
FAULTS = {
    "event misspelt": Fault("- {name: A, when: {event: blnk}, then: {press: a}}", 1, "blnk", "blink"),
    "key misspelt": Fault("- {name: A, when: {event: blink}, then: {press: Entr}}", 1, "Entr", "Enter"),
    "key in the wrong case": Fault(
        "- {name: A, when: {event: blink}, then: {press: enter}}", 1, "enter", "Enter"
    ),
    "a word of `when` misspelt": Fault(
        "- {name: A, when: {evnt: blink}, then: {press: a}}", 1, "evnt", "event"
    ),
    "a word of `then` misspelt": Fault(
        "- {name: A, when: {event: blink}, then: {pres: a}}", 1, "pres", "press"
    ),
    "a word of the rule misspelt": Fault(
        "- name: A\n  when: {event: blink}\n  then: {press: a}\n  cooldwn: 1 s", 4, "cooldwn", "cooldown"
    ),
    "no name": Fault("- {when: {event: blink}, then: {press: a}}", 1, "name"),
    "no when": Fault("- {name: A, then: {press: a}}", 1, "when"),
    "no then": Fault("- {name: A, when: {event: blink}}", 1, "then"),
    "two rules of one name": Fault(
        "- {name: A, when: {event: blink}, then: {press: a}}\n- {name: A, when: {event: "
        "gaze-up}, then: {press: b}}",
        2,
        "A",
    ),
    "duration without a unit": Fault(
        "- {name: A, when: {event: contraction, lasting: 300}, then: {press: a}}", 1, "300", "ms"
    ),
    "duration in an unknown unit": Fault(
        "- {name: A, when: {event: blink}, then: {press: a}, cooldown: 2 sec}", 1, "sec", "s"
    ),
    "negative duration": Fault(
        "- {name: A, when: {event: blink}, then: {press: a}, cooldown: -2 s}", 1, "-2 s"
    ),
    "times without within": Fault(
        "- {name: A, when: {event: blink, times: 2}, then: {press: a}}", 1, "within", "within"
    ),
    "within without times": Fault(
        "- {name: A, when: {event: blink, within: 1 s}, then: {press: a}}", 1, "times", "times"
    ),
    "times of a half": Fault(
        "- {name: A, when: {event: blink, times: 1.5, within: 1 s}, then: {press: a}}", 1, "1.5"
    ),
    "lasting for an instant": Fault(
        "- {name: A, when: {event: blink, lasting: 1 s}, then: {press: a}}", 1, "instant", "lasting"
    ),
    "hold for an instant": Fault("- {name: A, when: {event: blink}, then: {hold: a}}", 1, "hold", "press"),
    "deliberate contraction": Fault(
        "- {name: A, when: {event: contraction, deliberate: true}, then: {press: a}}",
        1,
        "deliberate",
        "leave",
    ),
    "deliberate maybe": Fault(
        "- {name: A, when: {event: blink, deliberate: maybe}, then: {press: a}}", 1, "maybe", "true"
    ),
    "unknown level": Fault(
        "- {name: A, when: {level: heart-rat, above: 100}, then: {press: a}}", 1, "heart-rat", "heart-rate"
    ),
    "level without a threshold": Fault(
        "- {name: A, when: {level: heart-rate}, then: {press: a}}", 1, "above", "give"
    ),
    "level that is never reached": Fault(
        "- {name: A, when: {level: contraction-level, above: 40}, then: {press: a}}", 1, "never", "40 %"
    ),
    "hysteresis the wrong way round": Fault(
        "- {name: A, when: {level: heart-rate, above: 100, until: 110}, then: {press: a}}", 1, "until"
    ),
    "unknown mode": Fault("- {name: A, when: {event: blink}, then: {press: a}, while: tow}", 1, "tow", "two"),
    "switch to an unknown mode": Fault("- {name: A, when: {event: blink}, then: {mode: tree}}", 1, "tree"),
    "output not defined": Fault(
        "- {name: A, when: {event: blink}, then: {press: a, output: kys}}", 1, "kys", "keys"
    ),
    "output of another type": Fault(
        "- {name: A, when: {event: blink}, then: {press: a, output: sound}}", 1, "sound", "keys"
    ),
    "OSC address without a slash": Fault(
        "- {name: A, when: {event: blink}, then: {send: {address: steer}}}", 1, "steer", "/steer"
    ),
    "OSC address with a pattern": Fault(
        '- {name: A, when: {event: blink}, then: {send: {address: "/a*"}}}', 1, "*"
    ),
    "MQTT topic with a wildcard": Fault(
        "- {name: A, when: {event: blink}, then: {publish: {topic: a/+}}}", 1, "+"
    ),
    "MQTT qos 3": Fault("- {name: A, when: {event: blink}, then: {publish: {topic: a, qos: 3}}}", 1, "3"),
    "payload with an unknown name": Fault(
        '- {name: A, when: {event: heartbeat}, then: {publish: {topic: a, payload: "{rte}"}}}',
        1,
        "rte",
        "rate",
    ),
    "payload with an attribute": Fault(
        '- {name: A, when: {event: blink}, then: {publish: {topic: a, payload: "{time.real}"}}}',
        1,
        "time.real",
    ),
    "payload with a huge width": Fault(
        '- {name: A, when: {event: heartbeat}, then: {publish: {topic: a, payload: "{rate:999999}"}}}',
        1,
        "999999",
    ),
    "payload with a brace left open": Fault(
        '- {name: A, when: {event: heartbeat}, then: {publish: {topic: a, payload: "{rate"}}}', 1, "{"
    ),
    "a sequence of one": Fault(
        "- {name: A, when: {sequence: [{event: blink}], within: 1 s}, then: {press: a}}", 1, "2"
    ),
    "the same twice together": Fault(
        "- {name: A, when: {together: [{event: blink}, {event: blink}]}, then: {press: a}}",
        1,
        "twice",
        "times: 2",
    ),
    "an unknown thing to do": Fault("- {name: A, when: {event: blink}, then: run}", 1, "run"),
    "a rule that is a text": Fault("- blink presses a", 1, "blink presses a"),
    "the duration of a contraction that has just begun": Fault(
        "- {name: A, when: {event: contraction}, then: {type: 'for {duration:.1f} s'}}",
        1,
        "duration",
        "edge: end",
    ),
    "a bound on what only the end knows": Fault(
        "- {name: A, when: {event: contraction, values: {duration: {above: 1}}}, then: {press: a}}",
        1,
        "never fire",
        "edge: end",
    ),
    "a bound on what a closure does not measure": Fault(
        "- {name: A, when: {event: long-closure, edge: end, values: {duration: {above: 1}}}, then: {press: a}}",
        1,
        "never fire",
        "no number",
    ),
    "the amplitude of looking": Fault(
        "- {name: A, when: {event: looking-left}, then: {type: '{amplitude}'}}", 1, "amplitude"
    ),
    "the amplitude of the rhythm": Fault(
        "- {name: A, when: {event: alpha}, then: {type: '{amplitude}'}}", 1, "amplitude"
    ),
    "a value of the first of two": Fault(
        "- {name: A, when: {sequence: [{event: heartbeat}, {event: blink}], within: 1 s}, then: {type: '{rate}'}}",
        1,
        "rate",
    ),
    "a value that one of two together lacks": Fault(
        "- {name: A, when: {together: [{event: heartbeat}, {event: blink}]}, then: {type: '{rate}'}}",
        1,
        "rate",
    ),
    "bounds the wrong way round": Fault(
        "- {name: A, when: {event: heartbeat, values: {rate: {above: 90, below: 60}}}, then: {press: a}}",
        1,
        "swap",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_at_its_line_with_the_mend(name: str) -> None:
    fault = FAULTS[name]
    text = HEAD + "".join(f"  {line}\n" for line in fault.rule.splitlines())
    found = problems(text)
    here = [item for item in found if item.line == LINE + fault.line]
    assert here, [item.text("f") for item in found]
    said = " ".join(f"{item.what} {item.mend}" for item in here)
    assert fault.what in said
    assert fault.mend in said
    lines = text.splitlines()
    assert all(1 <= item.column <= len(lines[item.line - 1]) + 1 for item in here)


def test_there_are_enough_faults() -> None:
    assert len(FAULTS) >= 30


PARTS = {
    "unknown part": ("ruls: []\n", 1, "ruls", "rules"),
    "unknown source": ("source: {type: seral}\n", 1, "seral", "serial"),
    "unknown output": ("outputs:\n  a: {type: osk, port: 1}\n", 2, "osk", "osc"),
    "port out of range": ("outputs:\n  a: {type: osc, port: 70000}\n", 2, "70000", ""),
    "unknown channel kind": (
        "source: {type: serial, channels: [{name: a, kind: eegg}]}\n", 1, "eegg", "eeg",
    ),
    "a password in the "
    "file": ("outputs:\n  a: {type: mqtt, host: h, password: s}\n", 2, "password", "login add a --host h"),
    "unknown detector": ("detectors:\n  - {detector: blnk}\n", 2, "blnk", "blink"),
    "unknown setting": ("detectors:\n  - {detector: blink, settings: {loudness: 1}}\n", 2, "loudness", ""),
    "mains of 55 Hz": ("source: {type: synthetic, mains_hz: 55}\n", 1, "55", "50"),
    "mains of a board": ("source: {type: serial, mains_hz: 50}\n", 1, "mains_hz", "by themselves"),
    "a time that YAML would take for a number": (
        "rules:\n  - {name: A, when: {event: blink}, then: {press: a}, cooldown: 10:30}\n", 2, "10:30", "",
    ),
    "both source and "
    "sources": ("source: {type: synthetic}\nsources: {a: {type: synthetic}}\n", 1, "source", "one"),
    "an anchor bomb": ("x: &a [1]\ny: [*a, *a]\n", 1, "", ""),
}  # fmt: skip


@pytest.mark.parametrize("name", PARTS)
def test_a_fault_in_another_part_is_found_too(name: str) -> None:
    part, line, what, mend = PARTS[name]
    found = problems("version: 1\n" + part)
    here = [item for item in found if item.line == 1 + line] or list(found if name.startswith("both") else ())
    assert here, [item.text("f") for item in found]
    said = " ".join(f"{item.what} {item.mend}" for item in here)
    assert what in said
    assert mend in said


def test_words_that_yaml_takes_for_truth_values_stay_words() -> None:
    """`on`, `no` and `y` load as booleans in YAML 1.1 readers; here they are what they look like."""
    text = HEAD + "  - {name: on, when: {event: blink}, then: {press: y}}\n"
    (rule,) = load(text).rules.rules
    assert rule.name == "on"
    assert rule.then[0].press == ("y",)  # type: ignore[union-attr]


VALID = (
    HEAD
    + """  - name: Next slide
    when: {event: blink, deliberate: true, times: 2, within: 700 ms}
    then: {press: PageDown}
    cooldown: 1 s
  - name: Talk
    when: {event: contraction, lasting: 300 ms}
    then: {hold: Space}
  - name: Lamp
    when: {event: heartbeat}
    then:
      publish:
        output: lamp
        topic: lab/heart
        payload: "{rate:.0f}"
  - name: Steer
    when:
      event: gaze-left
      from: eyes
    then:
      - {mode: two}
      - {send: {output: sound, address: /steer, arguments: [-1.0]}}
  - name: Home
    when: {level: heart-rate, above: 100}
    then: {mode: one}
    while: two
detectors:
  - {detector: gaze, name: eyes}
levels:
  - level: contraction-level
    every: 50 ms
    then: {send: {output: sound, address: /squeeze, arguments: ["{value}"]}}
"""
)
WORDS = [
    "event", "blink", "deliberate", "times", "within", "press", "PageDown", "cooldown", "contraction",
    "lasting", "hold", "Space", "publish", "topic", "payload", "rate", "from", "level", "above", "mode",
    "send", "address", "detector", "gaze", "every", "when", "then",
]  # fmt: skip


def mutated(seed: int) -> tuple[str, int]:
    """A valid file with one word broken: the text and the line that was changed."""
    chance = random.Random(seed)
    lines = VALID.splitlines()
    while True:
        number = chance.randrange(LINE, len(lines))
        word = chance.choice(WORDS)
        if word in lines[number] and f"name: {word}" not in lines[number]:
            break
    at = chance.randrange(len(word))
    way = chance.randrange(3)
    letter = chance.choice("qxzjk")
    broken = {
        0: word[:at] + letter + word[at:],
        1: word[:at] + letter + word[at + 1 :],
        2: word[:at] + word[at] * 2 + word[at:] if len(word) > 1 else word + letter,
    }[way]
    lines[number] = lines[number].replace(word, broken, 1)
    return "\n".join(lines) + "\n", number + 1


def test_the_file_that_is_mutated_is_valid() -> None:
    assert len(load(VALID).rules.rules) == 5


@pytest.mark.parametrize("seed", range(200))
def test_a_mutation_is_found_on_the_line_that_was_changed(seed: int) -> None:
    text, line = mutated(seed)
    found = problems(text)
    # A mapping that lost its key may be told where the mapping begins, one line above.
    assert any(item.line == line for item in found), (line, [item.text("f") for item in found])


@pytest.mark.parametrize(
    "rule",
    [
        "{event: contraction, edge: end, values: {duration: {above: 1}}}, then: {type: '{duration:.1f} s'}",
        "{event: alpha}, then: {type: '{contrast}'}",
        "{event: drowsiness}, then: {type: '{blinks_per_min} {long_closure_share} {mean_duration}'}",
        "{event: fit-lost}, then: {type: '{share:%}'}",
        "{together: [{event: heartbeat}, {event: blink}]}, then: {type: '{amplitude}'}",
    ],
)
def test_every_value_that_comes_with_an_event_can_be_used(rule: str) -> None:
    assert len(load(f"{HEAD}  - {{name: A, when: {rule}}}\n").rules.rules) == 1


def quick(text: str | bytes) -> None:
    """Refused or taken, within 200 MB, never a traceback of another kind; the bench measures the time."""
    tracemalloc.start()
    told: tuple[Problem, ...] | None = None
    try:
        load(text)
    except RuleFileErrors as errors:
        told = errors.problems
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert told is None or (told and all(item.what for item in told))
    assert peak < 200e6


BOMB = "version: 1\n" + "\n".join(
    f"{chr(98 + step)}: &{chr(98 + step)} [{', '.join([f'*{chr(97 + step)}'] * 9)}]" for step in range(9)
).replace("*a", "1")

HOSTILE: dict[str, str | bytes] = {
    "alias bomb": BOMB,
    "deep nesting": "version: 1\nrules: " + "[" * 20_000,
    "deep mappings": "version: 1\n" + "{a: " * 5_000,
    "ten megabytes": b"version: 1\n# " + b"x" * 10_000_000,
    "a long line": "version: 1\nrules: [" + "a, " * 300_000 + "]",
    "NUL": b"version: 1\n\x00\x00",
    "UTF-16": "version: 1\n".encode("utf-16"),
    "a tag": "version: !!python/object/apply:os.system [ls]\n",
    "a merge key": "version: 1\nx: &x {a: 1}\nrules: [{<<: *x}]\n",
    "two documents": "version: 1\n---\nversion: 1\n",
    "a huge "
    "number": "version: 1\nlevels: [{level: heart-rate, every: 1e400 s, then: {send: {address: /x}}}]\n",
    "many rules": HEAD + "".join(f"  - {{name: R{i}, when: {{event: x}}, then: 1}}\n" for i in range(3_000)),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_is_refused_quickly(name: str) -> None:
    quick(HOSTILE[name])
    assert problems(HOSTILE[name])


@given(st.binary(max_size=400))
@settings(max_examples=300)
def test_any_bytes(junk: bytes) -> None:
    quick(junk)


MARKS = [
    "version: 1",
    "\n",
    "\n  ",
    "- ",
    "{",
    "}",
    "[",
    "]",
    ": ",
    ", ",
    "&a",
    "*a",
    "|",
    "!!int",
    "#",
    "'",
    '"',
]
pieces = st.sampled_from([*WORDS, *MARKS, "\t", "1", "700 ms", "é", "---", "? ", "<<"])


@given(st.lists(pieces, max_size=60).map("".join))
@settings(max_examples=300)
def test_any_words(text: str) -> None:
    quick("version: 1\n" + text)


trees = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from(WORDS),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(WORDS), inner, max_size=4),
    max_leaves=20,
)


@given(
    st.dictionaries(
        st.sampled_from(["rules", "levels", "outputs", "source", "sources", "detectors", "modes"]), trees
    )
)
@settings(max_examples=300)
def test_any_tree(tree: dict[str, object]) -> None:
    quick("version: 1\n" + yaml.safe_dump(tree))


def test_every_ready_file_loads_without_a_warning() -> None:
    for name, path in ready_files().items():
        loaded = load(path.read_bytes(), name)
        assert not loaded.warnings, [item.text(name) for item in loaded.warnings]
