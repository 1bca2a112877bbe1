"""An example for every field of a rule file. The reference page shows them; the tests run them."""

from __future__ import annotations

from pydantic import BaseModel

from bridge.rules import conditions, deeds, devices, schema

# Where an example stands in a rule file; ``@`` is replaced by it.
HEAD = "version: 1\n"
OUTPUTS = """outputs:
  keys: {type: keystrokes}
  sound: {type: osc, port: 9000}
  lamp: {type: mqtt, host: localhost}
  note: {type: log}
"""
SLOTS: dict[str, str] = {
    "file": "@\n",
    "source": HEAD + "source: @\n",
    "output": HEAD + "outputs:\n  it: @\n",
    "detector": HEAD + "source: {type: synthetic}\ndetectors:\n  - @\n",
    "rule": HEAD + OUTPUTS + "modes: [menu, game]\nrules:\n  - @\n",
    "when": HEAD + OUTPUTS + "rules:\n  - {name: A, when: @, then: {press: a}}\n",
    "then": HEAD + OUTPUTS + "modes: [menu, game]\nrules:\n  - {name: A, when: {event: contraction}, then: @}\n"
    "  - {name: B, when: {event: blink}, then: {mode: menu}}\n",
    "level": HEAD + OUTPUTS + "modes: [menu, game]\nrules:\n  - {name: A, when: {event: blink}, then: {mode: game}}\n"
    "  - {name: B, when: {event: gaze-up}, then: {mode: menu}}\nlevels:\n  - @\n",
}  # fmt: skip

# model: the slot its examples go in, and examples that together use every field.
EXAMPLES: dict[type[BaseModel], tuple[str, tuple[str, ...]]] = {
    schema.RuleFile: (
        "file",
        (
            "version: 1\nsource: {type: synthetic}\noutputs: {keys: {type: keystrokes}}\nmodes: [menu, game]\n"
            "rules:\n  - {name: Play, when: {event: blink}, then: {mode: game}, while: menu}\n"
            "  - {name: Jump, when: {event: contraction}, then: {press: ArrowUp}, while: game}\n"
            "  - {name: Leave, when: {event: long-closure}, then: {mode: menu}, while: game}",
            "version: 1\nsources:\n  left: {type: serial, port: /dev/ttyUSB0, channels: [{name: left-arm, kind: emg}]}\n"
            "  right: {type: serial, port: /dev/ttyUSB1, channels: [{name: right-arm, kind: emg}]}\n"
            "outputs: {sound: {type: osc, port: 9000}}\n"
            "detectors:\n  - {detector: contraction, channel: left-arm, name: left}\n"
            "  - {detector: contraction, channel: right-arm, name: right}\n"
            'levels:\n  - {level: contraction-level, from: left, every: 50 ms, then: {send: {address: /left, arguments: ["{value}"]}}}',
        ),
    ),
    devices.SerialSource: (
        "source",
        ("{type: serial, port: auto, baud: 115200, rate: 250, channels: [{name: forehead, kind: eeg}]}",),
    ),
    devices.ReplaySource: (
        "source",
        ("{type: replay, file: session.csv, rate: 250, channels: [{name: arm, kind: emg}]}",),
    ),
    devices.SyntheticSource: (
        "source",
        (
            "{type: synthetic, seed: 7, rate: 250, mains_hz: 60, reliability: 90 %, "
            "channels: [{name: forehead, kind: eeg}]}",
        ),
    ),
    devices.LslSource: ("source", ("{type: lsl, name: headband, channels: [{name: Fp1}]}",)),
    devices.NetworkSource: (
        "source",
        (
            "{type: network, socket: headband, channels: [{name: Fp1, kind: eeg}]}",
            "{type: network, protocol: udp, format: osc, port: 9100, anyone_on_this_computer: true, rate: 250, "
            "channels: [{name: chest, kind: ecg}]}",
            "{type: network, protocol: tcp, listen: 0.0.0.0, port: 9100, login: chest-board, "
            "channels: [{name: chest, kind: ecg}]}",
        ),
    ),
    devices.ChannelSpec: (
        "source",
        (
            "{type: serial, channels: [{name: arm, kind: emg, column: 2, gain: 1000, reference_voltage: 5, bits: 10, "
            "unit: count, low: 0, high: 1023}]}",
        ),
    ),
    devices.KeystrokesOutput: ("output", ("{type: keystrokes, most_per_second: 5, pause_key: ScrollLock}",)),
    devices.OscOutput: ("output", ("{type: osc, host: 127.0.0.1, port: 9000, protocol: udp, most_per_second: 200}",)),
    devices.MqttOutput: (
        "output",
        (
            "{type: mqtt, host: broker.example, port: 8883, tls: true, login: lab-broker, client_id: desk-3, "
            "topic: lab/desk-3, qos: 1, most_per_second: 20}",
            "{type: mqtt, host: localhost}",
        ),
    ),
    devices.LogOutput: ("output", ("{type: log, most_per_second: 10}",)),
    devices.DetectorSpec: (
        "detector",
        (
            "{detector: gaze, name: eyes, channel: horizontal}",
            "{detector: blink, channels: [Fp1, Fp2], settings: {polarity: 1}}",
        ),
    ),
    conditions.EventCondition: (
        "when",
        (
            "{event: blink, deliberate: true, times: 2, within: 700 ms}",
            "{event: blink, from: forehead, stronger_than: 1.5}",
            "{event: contraction, lasting: 300 ms, release: 200 ms}",
            "{event: contraction, edge: end}",
            "{event: heartbeat, values: {rate: {above: 100, below: 140}}}",
        ),
    ),
    conditions.Bounds: ("when", ("{event: blink, values: {duration: {above: 0.1, below: 0.3}}}",)),
    conditions.SequenceCondition: (
        "when", ("{sequence: [{event: gaze-left}, {event: contraction}], within: 2 s}",),
    ),
    conditions.TogetherCondition: ("when", ("{together: [{event: blink}, {event: contraction}], within: 300 ms}",)),
    conditions.LevelCondition: (
        "when",
        (
            "{level: contraction-level, from: arm, above: 40 %, until: 30 %, lasting: 200 ms, release: 100 ms}",
            "{level: heart-rate, below: 60}",
        ),
    ),
    conditions.AbsenceCondition: ("when", ("{no: blink, for: 20 s}", "{no: {event: blink, deliberate: true}, for: 1 min}")),
    schema.Rule: (
        "rule",
        (
            "{name: Jump, when: {event: blink}, then: {press: ArrowUp}, while: game, cooldown: 300 ms, wait: false}\n"
            "  - {name: Play, when: {event: gaze-up}, then: {mode: game}, while: menu}\n"
            "  - {name: Leave, when: {event: gaze-down}, then: {mode: menu}, while: game}",
            "{name: Lamp, when: {event: contraction}, then: {publish: {topic: lab/lamp, payload: on}}, "
            "at_most: {times: 3, within: 10 s}, safe: {publish: {topic: lab/lamp, payload: off}}}",
            "{name: Page, when: {event: blink, deliberate: true}, then: {press: PageDown}, window: Slides}",
        ),
    ),
    schema.RateLimit: (
        "rule",
        ("{name: A, when: {event: blink}, then: {press: a}, at_most: {times: 3, within: 10 s}}",),
    ),
    deeds.Press: ("then", ("{press: PageDown}", "{press: Control+c, output: keys}")),
    deeds.Hold: ("then", ("{hold: Space, output: keys}",)),
    deeds.Toggle: ("then", ("{toggle: Shift, output: keys}",)),
    deeds.HeldKeys: ("then", ("{hold: {keys: Space, for: 500 ms}}", "{hold: {keys: Space, limit: 5 s}}")),
    deeds.TypeText: ("then", ('{type: "hello ", output: keys}',)),
    deeds.Repeat: ("then", ("{repeat: ArrowDown, output: keys}",)),
    deeds.RepeatedKeys: (
        "then", ("{repeat: {keys: ArrowDown, delay: 500 ms, interval: 100 ms, limit: 10 s}}",),
    ),
    deeds.Mouse: ("then", ("{mouse: {click: left}, output: keys}",)),
    deeds.MouseDo: ("then", ("{mouse: {move: {x: 20, y: -5}, click: left, times: 2, scroll: {y: 3}}}",)),
    deeds.Move: ("then", ("{mouse: {move: {x: 20, y: -5}}}",)),
    deeds.Send: ("then", ("{send: {address: /steer, arguments: [-1.0]}}",)),
    deeds.OscSend: (
        "then",
        (
            '{send: {output: sound, address: /squeeze, arguments: ["{level}", 1, fast, true]}}',
            '{send: {bundle: [{address: /on, arguments: [1]}, {address: /level, arguments: ["{level}"]}]}}',
        ),
    ),
    deeds.OscMessage: ("then", ("{send: {bundle: [{address: /on, arguments: [1]}]}}",)),
    deeds.TypedArgument: (
        "then", ('{send: {address: /a, arguments: [{float: "{level}"}, {int: 3}, {string: "{level:.2f}"}]}}',),
    ),
    deeds.Publish: ("then", ("{publish: {}}", "{publish: {topic: lab/arm}}")),
    deeds.MqttPublish: (
        "then",
        ('{publish: {output: lamp, topic: lab/arm, payload: "{level:.2f}", qos: 1, retain: false}}',),
    ),
    deeds.Note: ("then", ('{note: "squeezed at {time:.1f}", output: note}',)),
    deeds.SwitchMode: ("then", ("{mode: game}",)),
    deeds.Wait: ("then", ("[{press: a}, {wait: 500 ms}, {press: b}]",)),
    schema.LevelRule: (
        "level",
        (
            "{name: Squeeze, level: contraction-level, from: arm, every: 50 ms, while: game, range: [0.1, 0.8], "
            "to: [0, 127], curve: 2, dead_band: 0.05, smoothing: 200 ms, "
            'then: {send: {address: /squeeze, arguments: ["{value}"]}}, safe: {send: {address: /squeeze, arguments: [0]}}}',
            '{level: gaze-angle, every: 20 ms, window: Game, then: {mouse: {move: {x: "{value}"}}}}',
        ),
    ),
    deeds.Duty: ("level", ("{level: contraction-level, every: 100 ms, then: {duty: ArrowUp, output: keys}}",)),
    deeds.DutyKeys: (
        "level",
        ("{level: contraction-level, every: 100 ms, then: {duty: {keys: ArrowUp, period: 300 ms}}}",),
    ),
}  # fmt: skip


def in_file(slot: str, example: str) -> str:
    """A whole rule file around an example."""
    return SLOTS[slot].replace("@", example)
