"""The command line, one file a command."""

from __future__ import annotations


def main() -> None:
    raise SystemExit("no commands yet")
