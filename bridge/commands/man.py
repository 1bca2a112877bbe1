"""`man`: the manual page, made from the help of all commands."""

from __future__ import annotations

from collections.abc import Iterator

import click

import bridge

_EXITS = (
    ("0", "Done."),
    ("1", "It failed; the message says why and what to do."),
    ("2", "Wrong use, or a file that is not valid."),
    ("130", "Interrupted."),
)


@click.command(
    epilog="Example: biosignal-bridge man | less",
)
@click.pass_context
def command(context: click.Context) -> None:
    """Print the manual page, in the format of man(7): all commands with their options and examples."""
    root = context.find_root()
    click.echo(page(root.command, root.info_name or "biosignal-bridge"), nl=False)


def page(command: click.Command, name: str) -> str:
    """The whole page. ``command`` is a group; its commands come one after the other, with theirs."""
    context = click.Context(command, info_name=name)
    lines = [
        f'.TH {_quoted(name.upper())} 1 "" {_quoted(f"{name} {bridge.__version__}")}',
        ".SH NAME",
        f"{_text(name)} \\- {_text(_summary())}",
        ".SH SYNOPSIS",
        *_synopsis(command, context),
        ".SH DESCRIPTION",
        *_paragraphs(command.help or ""),
        *_options(command, context),
        ".SH COMMANDS",
    ]
    for below, child in _commands(command, context):
        lines += [f".SS {_quoted(child.command_path)}", *_synopsis(below, child), ".PP"]
        lines += [*_paragraphs(below.help or ""), *_options(below, child)]
        if below.epilog:
            lines += [".PP", *_paragraphs(below.epilog)]
    lines.append(".SH EXIT STATUS")
    for code, meaning in _EXITS:
        lines += [".TP", code, _text(meaning)]
    return "\n".join(lines) + "\n"


def _summary() -> str:
    first = (bridge.__doc__ or "").splitlines()[0]
    return first[:1].lower() + first[1:].rstrip(".")


def _commands(group: click.Command, context: click.Context) -> Iterator[tuple[click.Command, click.Context]]:
    """Commands in their order, those of a group in its place."""
    assert isinstance(group, click.Group)
    for name in group.list_commands(context):
        below = group.get_command(context, name)
        assert below is not None
        child = click.Context(below, info_name=name, parent=context)
        if isinstance(below, click.Group):
            yield from _commands(below, child)
        else:
            yield below, child


def _synopsis(command: click.Command, context: click.Context) -> list[str]:
    pieces = " ".join(command.collect_usage_pieces(context))
    return [f"\\fB{_text(context.command_path)}\\fR {_text(pieces)}"]


def _options(command: click.Command, context: click.Context) -> list[str]:
    lines: list[str] = []
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if isinstance(parameter, click.Option) and record is not None:
            lines += [".TP", f"\\fB{_text(record[0])}\\fR", _text(record[1])]
    return lines


def _paragraphs(text: str) -> list[str]:
    lines: list[str] = []
    for number, paragraph in enumerate(text.replace("\b", "").strip().split("\n\n")):
        lines += [".PP"] if number else []
        lines.append(_text(" ".join(paragraph.split())))
    return lines


def _text(text: str) -> str:
    """Text without anything that roff takes for a request or an escape; hyphens stay as they are typed."""
    plain = text.replace("\\", "\\e").replace("-", "\\-")
    return f"\\&{plain}" if plain[:1] in (".", "'") else plain


def _quoted(text: str) -> str:
    return '"' + _text(text).replace('"', "\\(dq") + '"'
