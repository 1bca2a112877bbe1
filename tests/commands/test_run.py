"""`run`, `rules`, `demo` and `new` as a user types them: exit codes, what is printed, what is refused."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.components import x_server

CONFIGS = Path(__file__).parents[2] / "configs"


def bridge(
    *arguments: object, stdin: str = "", cwd: Path | None = None, environment: dict[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "bridge", *map(str, arguments)],
        input=stdin,
        capture_output=True,
        text=True,
        timeout=100,
        cwd=cwd,
        env={**(environment or os.environ), "NO_COLOR": "1"},
    )


def test_first_try_prints_the_events_and_actions_of_a_real_recording(data_dir: Path) -> None:
    file = data_dir / "eog/blinks-200hz.csv"
    done = bridge("run", CONFIGS / "first-try.yaml", "--replay", file, "--fast", "--dry-run", "--json")
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    blinks = [line for line in lines if line.get("kind") == "blink"]
    actions = [line for line in lines if "action" in line]
    detected = bridge("detect", file, "--detector", "blink", "--json")
    expected = [json.loads(line) for line in detected.stdout.splitlines()]
    assert blinks == [event for event in expected if event["kind"] == "blink"]
    assert len(blinks) > 60
    assert {(line["output"], line["action"]["press"], line["result"]) for line in actions} == {
        ("keys", "Space", "shown")
    }
    # One press for each blink, but for blinks within the rule's 100 ms cooldown of the one before.
    assert len(blinks) - 3 <= len(actions) <= len(blinks)
    assert "150.0 s of signal" in done.stderr


def test_slides_turn_only_on_two_deliberate_blinks(data_dir: Path) -> None:
    """In a recording of spontaneous blinks the page hardly ever turns, though blinks come in pairs."""
    file = data_dir / "eog/blinks-200hz.csv"
    done = bridge("run", CONFIGS / "slides.yaml", "--replay", file, "--fast", "--dry-run", "--json")
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert sum(line.get("kind") == "blink" for line in lines) > 60
    assert sum("action" in line for line in lines) <= 2


def test_a_column_whose_name_says_nothing_needs_its_kind(data_dir: Path, tmp_path: Path) -> None:
    source = (data_dir / "eog/blinks-200hz.csv").read_text().splitlines()[:4000]
    file = tmp_path / "plain.csv"
    file.write_text("\n".join([source[0].replace("vertical", "left-pair"), *source[1:]]) + "\n")
    options = ("run", CONFIGS / "first-try.yaml", "--replay", file, "--fast", "--dry-run", "--json")
    refused = bridge(*options)
    assert refused.returncode != 0
    assert "--channel left-pair --kind" in refused.stderr
    done = bridge(*options, "--channel", "left-pair", "--kind", "eog-vertical")
    assert done.returncode == 0, done.stderr
    assert any(json.loads(line).get("kind") == "blink" for line in done.stdout.splitlines())


HEAD = "version: 1\noutputs:\n  keys: {type: keystrokes}\n  lamp: {type: mqtt, host: localhost}\nrules:\n"
RULE = "  - name: A\n    when: {event: blink}\n    then: {press: a}\n"

# what is wrong: (the file, line, part of the message, part of the mend)
FAULTY: dict[str, tuple[bytes, int, str, str]] = {
    "unknown event": ((HEAD + RULE.replace("blink", "blnk")).encode(), 7, "blnk", "did you mean `blink`"),
    "duplicate key": ((HEAD + RULE + "    then: {press: b}\n").encode(), 9, "then", ""),
    "wrong unit": (
        (HEAD + RULE.replace("blink}", "blink, times: 2, within: 700 msec}")).encode(),
        7,
        "msec",
        "ms",
    ),
    "no unit": ((HEAD + RULE.replace("blink}", "blink, times: 2, within: 700}")).encode(), 7, "700", "ms"),
    "missing output": (
        (HEAD + RULE.replace("{press: a}", "{send: {address: /x}}")).encode(),
        8,
        "osc",
        "outputs",
    ),
    "output not there": (
        (HEAD + RULE.replace("{press: a}", "{press: a, output: kesy}")).encode(),
        8,
        "kesy",
        "keys",
    ),
    "tab": ((HEAD + RULE.replace("    then", "\tthen")).encode(), 8, "tab", "blanks"),
    "empty": (b"", 1, "empty", "version"),
    "only a comment": (b"# nothing\n", 1, "empty", "version"),
    "not UTF-8": ((HEAD + RULE).encode() + b"  - name: \xff\xfe\n", 9, "UTF-8", ""),
    "10 MB": (b"# " + b"x" * 10_000_000, 1, "large", ""),
    "unknown key name": (
        (HEAD + RULE.replace("press: a", "press: PageDwon")).encode(),
        8,
        "PageDwon",
        "PageDown",
    ),
    "unknown word": ((HEAD + RULE.replace("when:", "whn:")).encode(), 7, "whn", "when"),
    "version 2": ((HEAD.replace("1", "2", 1) + RULE).encode(), 1, "version", "version: 1"),
    "topic with a wildcard": (
        (HEAD + RULE.replace("{press: a}", "{publish: {topic: lab/#}}")).encode(),
        8,
        "#",
        "",
    ),
    "executable payload": (
        (HEAD + RULE.replace("{press: a}", '{publish: {topic: x, payload: "{rate.__class__}"}}')).encode(),
        8,
        "rate",
        "",
    ),
}


@pytest.mark.parametrize("fault", FAULTY)
@pytest.mark.parametrize("command", [("rules", "check"), ("run",)])
def test_a_faulty_file_is_refused_with_place_and_mend(
    fault: str, command: tuple[str, ...], tmp_path: Path
) -> None:
    """Exit 2, the place and the mend named on stderr, nothing on stdout: nothing was sent."""
    text, line, what, mend = FAULTY[fault]
    file = tmp_path / "rules.yaml"
    file.write_bytes(text)
    done = bridge(*command, file)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    places = [one for one in done.stderr.splitlines() if one.startswith(f"{file}:{line}:")]
    assert places, done.stderr
    assert any(what in one for one in places), done.stderr
    assert any(mend in one for one in places), done.stderr
    assert "Traceback" not in done.stderr


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    file = tmp_path / "rules.yaml"
    file.write_text(
        HEAD + RULE.replace("blink", "blnk") + RULE.replace("name: A", "name: B").replace("a}", "qq}")
    )
    done = bridge("rules", "check", file, "--json")
    assert done.returncode == 2
    told = json.loads(done.stdout)
    assert told["valid"] is False
    assert [problem["line"] for problem in told["problems"]] == [7, 11]
    assert all(problem["mend"] for problem in told["problems"])


def test_a_missing_file_is_told_plainly(tmp_path: Path) -> None:
    done = bridge("run", tmp_path / "none.yaml")
    assert done.returncode == 2
    assert "cannot be read" in done.stderr


def test_try_shows_what_would_be_sent() -> None:
    events = "blink 1.0 deliberate=1\nblink 1.4 deliberate=1\nblink 5 deliberate=0\n"
    done = bridge("rules", "try", CONFIGS / "slides.yaml", "--events", "-", "--json", stdin=events)
    assert done.returncode == 0, done.stderr
    assert [json.loads(line) for line in done.stdout.splitlines()] == [
        {"time": 1.4, "rule": "Next slide", "output": "keys", "action": {"press": "PageDown"}}
    ]


def test_try_takes_what_detect_prints(data_dir: Path, tmp_path: Path) -> None:
    events = tmp_path / "events.jsonl"
    file = data_dir / "eog/blinks-200hz.csv"
    events.write_text(bridge("detect", file, "--detector", "blink", "--json").stdout)
    tried = bridge("rules", "try", CONFIGS / "first-try.yaml", "--events", events, "--json")
    ran = bridge("run", CONFIGS / "first-try.yaml", "--replay", file, "--fast", "--dry-run", "--json")
    actions = [json.loads(line) for line in ran.stdout.splitlines() if "action" in json.loads(line)]
    for action in actions:
        del action["result"], action["type"]
    assert [json.loads(line) for line in tried.stdout.splitlines()] == actions


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("blnk 1", "did you mean `blink`"),
        ("blink", "needs a time"),
        ("blink soon", "not a number"),
        ("blink nan", "finite"),
        ("{", "not JSON"),
        ('{"kind": "blink"}', "onset"),
    ],
)
def test_a_wrong_event_is_refused_with_its_line(line: str, message: str) -> None:
    done = bridge("rules", "try", CONFIGS / "slides.yaml", "--events", "-", stdin="blink 1.0\n" + line + "\n")
    assert done.returncode == 2
    assert "-:2:1:" in done.stderr
    assert message in done.stderr


def test_the_demo_runs_without_a_terminal() -> None:
    done = bridge("demo", "--for", "12", "--no-monitor", "--json")
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    kinds = {line["kind"] for line in lines if "kind" in line}
    assert {"blink", "contraction", "heartbeat"} <= kinds
    assert {line["result"] for line in lines if "action" in line} == {"shown"}
    assert "12.0 s of signal" in done.stderr


def test_every_ready_file_is_valid_and_explained_first() -> None:
    for file in sorted(CONFIGS.glob("*.yaml")):
        assert bridge("rules", "check", file).returncode == 0, file
        comment = file.read_text().split("version:")[0]
        for word in ("Electrodes", "What to do", "What happens", "medical device"):
            assert word in comment, (file, word)


def test_new_copies_a_ready_file_and_never_overwrites(tmp_path: Path) -> None:
    assert bridge("new", "slides", cwd=tmp_path).returncode == 0
    assert (tmp_path / "slides.yaml").read_text() == (CONFIGS / "slides.yaml").read_text()
    again = bridge("new", "slides", cwd=tmp_path)
    assert again.returncode == 1
    assert "exists" in again.stderr
    assert bridge("new", "sliides", cwd=tmp_path).returncode == 2


COMMANDS = [
    "demo",
    "run",
    "ports",
    "record",
    "detect",
    "evaluate",
    "calibrate",
    "firmware",
    "new",
    "status",
    "pause",
    "resume",
    "arm",
    "disarm",
    "unit",
]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_ends_with_a_worked_example(command: str) -> None:
    done = bridge(command, "--help")
    assert done.returncode == 0
    assert "Example: biosignal-bridge" in " ".join(done.stdout.split())


def test_a_key_that_cannot_be_typed_here_is_told_with_its_place(tmp_path: Path) -> None:
    """On a real X server with its usual layout there is no key for é."""
    file = tmp_path / "rules.yaml"
    file.write_text(HEAD + RULE.replace("press: a", "press: é"))
    with x_server() as server:
        done = bridge("rules", "check", file, environment=server.environment)
    assert done.returncode == 0, done.stderr
    assert f"{file}:8:19: warning: the key `é` does nothing here" in done.stderr


def test_events_can_be_typed_by_hand_in_a_terminal() -> None:
    """On a pseudo-terminal: what is typed is answered at once, a slip is told and passed over."""
    board, slave = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "bridge", "rules", "try", CONFIGS / "slides.yaml"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env={**os.environ, "NO_COLOR": "1"},
    )
    os.close(slave)
    seen = b""

    def until_seen(words: bytes) -> None:
        nonlocal seen
        while words not in seen:
            seen += os.read(board, 4096)

    try:
        until_seen(b"Ctrl-D ends")
        os.write(board, b"blink 1 deliberate=1\nblnk 1.2\nblink 1.5 deliberate=1\n")
        until_seen(b"press PageDown")
        assert b"did you mean `blink`" in seen
        os.write(board, b"\x04")
        assert process.wait(10) == 0
    finally:
        process.kill()
        os.close(board)
