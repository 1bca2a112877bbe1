"""The measured figures as a section of DEVELOPERS.md, between two marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

BEGIN, END = "<!-- speed: written by `python -m tests.bench` -->", "<!-- speed: end -->"


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)])


def targets(results: dict[str, Any]) -> list[tuple[str, float, float]]:
    """What was wished for: name, ratio, the most it should be."""
    found: list[tuple[str, float, float]] = []
    for part in ("latency", "throughput", "resources"):
        for name, ratio in results[part]["ratios"].items():
            words, _, rest = name.partition(" (target ")
            if rest:
                found.append((words, ratio, float(rest.rstrip(")"))))
    found.append(("a step of 10,000 rules, to one of 10", results["rules"]["ratio_to_10"]["10000"], 3.0))
    most = results["streams"]["ways"]["envelopes of all streams together"]["most_on_one_core"]
    found.append(("4,000 streams, to what a core carries", 4000 / most, 1.0))
    return found


def _latency(told: dict[str, Any]) -> str:
    rows = []
    for name, one in told["latency"].items():
        own = one.get("to_the_output_median_us")
        within = "" if own is None else f"{own:.0f} / {one['to_the_output_p99_us']:.0f}"
        rows.append(
            [
                name,
                *(f"{one[key]:.0f}" for key in ("median_us", "p99_us", "p999_us")),
                within,
                str(one["arrived"]),
            ]
        )
    head = (
        "µs from the byte to the arrival",
        "median",
        "p99",
        "p99.9",
        "of it to the output's send",
        "arrivals",
    )
    return table(head, rows)


def _processor(told: dict[str, Any]) -> str:
    rows = [
        (
            name,
            f"{one['bare reader']:.1f}",
            f"{one['daemon']:.1f}",
            f"{one['daemon'] / one['bare reader']:.2f}",
            f"{one['daemon, not compiled'] / one['bare reader']:.2f}",
        )
        for name, one in told["processor"].items()
    ]
    return table(
        ("% of a core", "bare asyncio reader", "daemon", "ratio", "ratio when it is not compiled"), rows
    )


def _stages(told: dict[str, Any]) -> str:
    rows = [
        (name, *(f"{us:.1f}" for us in sizes.values()), f"{sizes['64'] / 64:.2f}")
        for name, sizes in told["us_per_block"].items()
    ]
    return table(("µs a block of", "1 sample", "8", "64", "a sample, at 64"), rows)


def _throughput(told: dict[str, Any]) -> str:
    rows = [(name, f"{one['hours_a_second']:.2f}", str(one["beats"])) for name, one in told["ways"].items()]
    return table(("hours of ECG a second", "", "beats"), rows)


def _streams(told: dict[str, Any]) -> str:
    parts = []
    for way, one in told["ways"].items():
        rows = [
            (
                f"{row['streams']:,.0f}",
                *(
                    f"{row[key]:.3f}" if key in row else ""
                    for key in ("one_core", "two_cores", "filters_alone")
                ),
            )
            for row in one["curve"]
        ]
        parts.append(
            f"*{way}*: {one['most_on_one_core']:,} fill a core, {one['most_on_two_cores']:,} two.\n\n"
            + table(("streams", "share of a core", "in two processes", "compiled filters alone"), rows)
        )
    return "\n\n".join(parts)


def section(results: dict[str, Any]) -> str:
    """The section's text, in Markdown."""
    wished = [
        (name, f"{ratio:.2f}", f"{most:g}", "yes" if ratio <= most else "**no**")
        for name, ratio, most in targets(results)
    ]
    machine = results["latency"]["machine"]
    others = {
        name: one["machine"]
        for name, one in results.items()
        if one["machine"]["revision"] != machine["revision"]
    }
    daemons = results["daemons"]
    memory = results["resources"]["resident_mb"]
    ratios = results["throughput"]["ratios"]
    in_memory = [ratios[f"in memory, to {name}"] for name in ("neurokit2's default", "sleepecg's")]
    rules = ", ".join(f"{count}: {us:.1f} µs" for count, us in results["rules"]["step_us"].items())
    return f"""Measured {machine["date"]} at revision {machine["revision"]} on {machine["cores"]} cores
({machine["processor"]}, Python {machine["python"]}){_others(others)}. Take the ratios, not the times: each is of one run.

![Ratios to what was wished for, and the cost of many streams](tests/bench/speed/speed.png)

{table(("ratio", "measured", "wished for, at most", "reached"), wished)}

**Latency** at 4 × 250 Hz of text, all four detectors, twenty rules:

{_latency(results["latency"])}

**Processor time**, no page open:

{_processor(results["latency"])}

**Stages**, each by itself; the rules see an event at every block:

{_stages(results["stages"])}

**Rules**: a step that fires one of so many rules: {rules}.

**Start-up** {results["resources"]["start_up_s"]:.2f} s to the reading of lines. **Memory** {memory[0]["resident_mb"]:.0f} MB
after a tenth of {results["resources"]["hours"]:g} h of replay, {memory[-1]["resident_mb"]:.0f} MB at its end; the replay went
{results["resources"]["times_real_time"]:.0f} times as fast as the signal.

**Heartbeats in an hour of ECG** at 250 Hz:

{_throughput(results["throughput"])}

What was wished for concerns the command, start and reading of the file included. Where the signal lies in memory and a
library is loaded, the detector takes {in_memory[0]:.0f} times as long as neurokit2 and {in_memory[1]:.0f} times as long as sleepecg, which see all of
it at once; it works as the daemon does, signal check and variability at each beat included.

**Many streams** of 4 × 250 Hz in blocks of 32 ms. All in one call are bound by the compiled filters and the memory that
they pass through, an object for each by the calls, whole chains by the interpreter at each sample:

{_streams(results["streams"])}

**{daemons["daemons"]} daemons on two bridged brokers**: {daemons["sent"]:,} events from {daemons["sources"]} sources in
{daemons["seconds"]:.1f} s, of one group of two subscribers {" and ".join(map(str, daemons["shared"]))} each, {daemons["twice"]}
worked on twice, {daemons["lost_in_group"]} lost there and {daemons["lost_over_bridge"]} over the bridge."""


def _others(others: dict[str, Any]) -> str:
    if not others:
        return ""
    told = ", ".join(f"{name} at {one['revision']} ({one['date']})" for name, one in others.items())
    return f"; but {told}"


def write_section(page: Path, results: dict[str, Any]) -> None:
    """Put the figures between the page's marks."""
    text = page.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, found, after = rest.partition(END)
    if not found:
        raise SystemExit(f"{page} lacks the marks of the section on speed")
    page.write_text(f"{before}{BEGIN}\n\n{section(results)}\n\n{END}{after}", encoding="utf-8")
