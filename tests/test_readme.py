"""What the README says holds: links and pictures are there, rule files are valid, commands and options exist."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from bridge.commands import group as main
from bridge.rules.loader import load

ROOT = Path(__file__).resolve().parents[1]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
TEXT = {page.name: page.read_text(encoding="utf-8") for page in PAGES}
GUIDES = {
    page.name: page.read_text(encoding="utf-8") for page in sorted((ROOT / "demos/guides").glob("*.md"))
}


def blocks(text: str, language: str) -> list[str]:
    """Fenced blocks in this language, their common indentation taken off."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```$", text, re.MULTILINE | re.DOTALL)
    return ["\n".join(line[len(indent) :] for line in body.splitlines()) + "\n" for indent, body in found]


@pytest.mark.parametrize("name", TEXT)
def test_links_and_pictures_are_there(name: str) -> None:
    links = re.findall(r"!?\[([^\]]*)\]\(([^)\s]+)\)", TEXT[name])
    assert name != "README.md" or len(links) >= 4
    for words, target in links:
        assert words, f"{target} has no words"
        if not target.startswith(("http://", "https://", "#")):
            assert (ROOT / target.partition("#")[0]).exists(), target


def test_rule_files_are_valid() -> None:
    found = blocks(TEXT["README.md"], "yaml")
    assert found
    for text in found:
        assert load(text).warnings == ()


def commands(text: str = TEXT["README.md"]) -> list[list[str]]:
    """Every command line of ours in a page, in blocks and in running text."""
    lines = [line for block in blocks(text, "sh") for line in block.splitlines()]
    lines += [code.replace("\n", " ") for code in re.findall(r"`(biosignal-bridge [^`]+)`", text)]
    return [shlex.split(line) for line in lines if line.startswith("biosignal-bridge ")]


@pytest.mark.parametrize("words", commands(), ids=" ".join)
def test_commands_and_their_options_exist(words: list[str]) -> None:
    if words[1] == "COMMAND":
        words = [words[0], "run", "--help"]
    command: click.Command = main
    context = click.Context(main)
    rest = words[1:]
    while isinstance(command, click.Group) and not rest[0].startswith("-"):
        found = command.get_command(context, rest[0])
        assert found is not None, f"there is no command {rest[0]}"
        command, rest = found, rest[1:]
    known = {name for parameter in command.params for name in parameter.opts} | {"--help"}
    for word in rest:
        if word.startswith("-"):
            assert word in known, f"{' '.join(words)}: there is no option {word}"


def test_commands_and_their_options_in_the_guides_exist() -> None:
    found = [words for text in GUIDES.values() for words in commands(text)]
    assert len(found) > 25
    # That word is there to be asked about.
    for words in (words for words in found if words[1:2] != ["start"]):
        test_commands_and_their_options_exist(words)


def test_every_command_has_help_with_a_worked_example() -> None:
    context = click.Context(main)

    def walk(group: click.Group, prefix: list[str]) -> list[list[str]]:
        found = []
        for name in group.list_commands(context):
            command = group.get_command(context, name)
            assert command is not None
            if isinstance(command, click.Group):
                found += walk(command, [*prefix, name])
            else:
                found.append([*prefix, name])
        return found

    all_commands = walk(main, [])
    assert len(all_commands) > 12
    for words in all_commands:
        done = CliRunner().invoke(main, [*words, "--help"])
        assert done.exit_code == 0, words
        example = re.sub(r"\s+", " ", done.output).partition("Example: ")[2]
        assert f"biosignal-bridge {' '.join(words)}" in example, words
