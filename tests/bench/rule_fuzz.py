"""Fuzzes the rule loader at length: ``python -m tests.bench.rule_fuzz [COUNT]``, 50,000 inputs if not said.

Mutations of valid files and random YAML pieces, seeded. Prints the slowest input's time, the largest memory and how
many were refused; exits 1 when anything but a refusal came out, or an input took more than a second or 200 MB.
"""

from __future__ import annotations

import contextlib
import random
import sys
import time
import tracemalloc

from rich.console import Console
from rich.progress import track

from bridge.rules.loader import RuleFileErrors, load
from tests.rules.test_loader import HOSTILE, MARKS, VALID, WORDS

_LETTERS = list("abcxyz019:{}[]-,#&*!|>'\"\n\t %@é\0")


def mutated(chance: random.Random) -> str:
    """A valid file after a few cuts, copies and changes."""
    text = VALID
    for _ in range(chance.randint(1, 6)):
        at = chance.randrange(len(text) + 1)
        end = min(len(text), at + chance.randint(0, 12))
        way = chance.randrange(4)
        if way == 0:
            text = text[:at] + text[end:]
        elif way == 1:
            text = text[:at] + text[at:end] * chance.randint(2, 30) + text[end:]
        elif way == 2:
            text = text[:at] + chance.choice(_LETTERS) + text[end:]
        else:
            text = text[:at] + chance.choice([*WORDS, *MARKS]) + text[at:]
    return text


def pieces(chance: random.Random) -> str:
    return "version: 1\n" + "".join(
        chance.choice([*WORDS, *MARKS, *_LETTERS]) for _ in range(chance.randint(0, 200))
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 50_000
    chance = random.Random(1)
    slowest_s, refused, peak = 0.0, 0, 0
    inputs = [*HOSTILE.values()]
    for number in track(range(count), "inputs", console=Console(stderr=True)):
        text = mutated(chance) if number % 2 else pieces(chance)
        text = inputs[number] if number < len(inputs) else text
        traced = number % 50 == 0 or number < len(inputs)
        begun = time.perf_counter()
        try:
            load(text)
        except RuleFileErrors:
            refused += 1
        slowest_s = max(slowest_s, time.perf_counter() - begun)
        if traced:
            tracemalloc.start()
            with contextlib.suppress(RuleFileErrors):
                load(text)
            peak = max(peak, tracemalloc.get_traced_memory()[1])
            tracemalloc.stop()
    print(f"{count} inputs, {refused} refused, slowest {slowest_s:.3f} s, largest memory {peak / 1e6:.1f} MB")
    if slowest_s > 1 or peak > 200e6:
        sys.exit(1)


if __name__ == "__main__":
    main()
