"""The accuracy page and its picture, from the figures alone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from tests.bench.accuracy import office_day
from tests.bench.accuracy.cells import OURS
from tests.bench.accuracy.material import BY_NAME

FOLDER = Path(__file__).parent
Report = Mapping[str, Any]
DETECTORS = ("blink", "gaze", "contraction", "heartbeat")
# What is wished for: F1, and false activations a minute at most or the lower quartile of people's sensitivity.
WISHED = {
    "band forehead": "F1 0.93, sensitivity of the lower quartile 0.85",
    "band ears": "F1 0.93, sensitivity of the lower quartile 0.85",
    "office": "F1 0.975, 0.5 false a minute",
    "gaze-83hz": "F1 0.97, 1 false a minute",
    "gestures, 8 electrodes": "F1 0.95, 0.5 false a minute",
    "gestures, 1 electrode": "F1 0.85",
    "arrhythmia": "F1 0.997",
    "noise stress": "F1 0.98",
}
_HEAD = """# Accuracy

Written by `python -m tests.bench.accuracy`, which says with `--help` how to measure parts of it anew.

- **By person.** Figures are pooled over all people of a set; *lower quartile* is the F1 (or sensitivity) that a
  quarter of the people stay below. Intervals are 95 % over people (2000 seeded bootstrap draws), not over events:
  what one person does is alike. One person has no interval.
- **Scoring** is that of `evaluate`: one to one, within the windows it names, after the first 5 s.
- **Libraries see the whole record**, our detectors only the past. *Circular*: the library took part in making
  the reference, so it is judged by its own opinion.
- Our detectors were made while looking at some of these recordings. Judge them by people whom they never met:
  measure your own recordings with `biosignal-bridge evaluate`.
"""


def write(report: Report, folder: Path = FOLDER) -> None:
    if _drawn(report):
        picture(report, folder / "by_person.png")
    (folder / "RESULTS.md").write_text(text(report), encoding="utf-8")


def text(report: Report) -> str:
    parts = [_HEAD, *_measured(report)]
    if _drawn(report):
        parts.append("![F1 by person](by_person.png)\n")
    for name in DETECTORS:
        if name in report:
            parts.extend(_detector(name, report[name]["figures"]))
    if "onsets" in report:
        parts.extend(_onsets(report["onsets"]["figures"]["widths"]))
    if "rhythm" in report:
        parts.extend(_rhythm(report["rhythm"]["figures"]))
    if "office" in report:
        parts.extend(_office(report["office"]["figures"]))
    return "\n".join(parts)


def table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(columns) + " |", "|" + " --- |" * len(columns)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)]) + "\n"


def _measured(report: Report) -> Iterator[str]:
    rows = [(name, own["date"], own["revision"], f"{own['seconds']} s") for name, own in report.items()]
    yield table(("part", "measured", "revision", "took (what was kept is not measured again)"), rows)


def _detector(name: str, figures: Report) -> Iterator[str]:
    yield f"## {name.capitalize()}\n"
    for set_, methods in figures["sets"].items():
        one = BY_NAME[set_]
        yield f"### {set_}\n"
        wished = f" Wished for: {WISHED[set_]}." if set_ in WISHED else ""
        yield f"{one.what[0].upper()}{one.what[1:]}. Reference: {one.truth}.{wished}\n"
        columns = (
            "by",
            "people",
            "minutes",
            "events",
            "F1",
            "lower quartile",
            "sensitivity",
            "lower quartile",
        )
        yield table(
            (*columns, "false a minute", "decided after, ms"),
            (_method(set_, by, own) for by, own in methods.items()),
        )
        yield from _people(methods, figures["fitted"].get(set_), one.circular)
    yield from _fitted(figures["fitted"])
    yield from _changes(figures["changes"])


def _method(set_: str, by: str, own: Report) -> tuple[str, ...]:
    circular = by.split()[0] in BY_NAME[set_].circular or by in BY_NAME[set_].circular
    latency = own["after_end_ms"] if own["after_end_ms"] is not None else own["latency_ms"]
    return (
        f"{by} (circular)" if circular else by,
        str(own["people"]),
        f"{own['minutes']:.0f}",
        str(own["events"]),
        _figure(own["f1"]),
        _figure(own["lower_quartile_f1"]),
        _figure(own["sensitivity"]),
        _figure(own["lower_quartile_sensitivity"]),
        _figure(own["false_per_minute"], 2),
        f"{latency:.0f}" if by == OURS and latency is not None else "",
    )


def _people(methods: Report, fitted: Report | None, circular: Sequence[str]) -> Iterator[str]:
    """F1 by person: ours, the best library, and with a profile on what that did not see."""
    if OURS not in methods or methods[OURS]["people"] < 2:
        return
    others = {by: own for by, own in methods.items() if by != OURS}
    best = max(others, key=lambda by: others[by]["f1"]["value"], default=None)
    columns = ["person", "default"]
    if best is not None:
        columns.append(best + (" (circular)" if best.split()[0] in circular or best in circular else ""))
    if fitted and fitted["people"]:
        columns += ["unseen part, default", "unseen part, profile"]
    rows = []
    for person, value in methods[OURS]["by_person"].items():
        row = [person, _number(value)]
        if best is not None:
            row.append(_number(others[best]["by_person"].get(person)))
        if fitted and fitted["people"]:
            row += [_number(fitted[by]["by_person"].get(person)) for by in ("default", "fitted")]
        rows.append(row)
    yield "<details><summary>F1 by person</summary>\n"
    yield table(columns, rows)
    yield "</details>\n"


def _fitted(figures: Report) -> Iterator[str]:
    told = {name: own for name, own in figures.items() if own["people"]}
    if not told:
        return
    yield "### Default beside a profile, on what the profile did not see\n"
    yield (
        "Fitted on the first half and scored on the second; gestures: fitted on one session, scored on the next, "
        "with one electrode the one that tells efforts from rest best in the session that was fitted. "
        "*Kept*: the fit showed no gain on held-out folds of what it saw, so the detector's own settings stay. A "
        "person who is refused has them too. People with fewer than 10 firm events to learn from are left out.\n"
    )
    columns = ("set", "people", "too few", "refused", "kept", "better", "worse")
    more = ("F1 default", "F1 profile", "lower quartile default", "profile")
    yield table(
        (*columns, *more, "false a minute default", "profile"),
        (
            (
                name,
                *(str(own[column]) for column in ("people", "too_few", "refused", "kept", "better", "worse")),
                *(_figure(own[by]["f1"]) for by in ("default", "fitted")),
                *(_figure(own[by]["lower_quartile_f1"]) for by in ("default", "fitted")),
                *(_figure(own[by]["false_per_minute"], 2) for by in ("default", "fitted")),
            )
            for name, own in told.items()
        ),
    )
    refusals = [
        f"- {name}, {who}: {why}" for name, own in told.items() for who, why in own["refusals"].items()
    ]
    if refusals:
        yield "Refused:\n\n" + "\n".join(refusals) + "\n"


def _changes(figures: Report) -> Iterator[str]:
    names = [name for name in figures if name != "packaged"]
    if not names:
        return
    yield "### What changes of the signal cost\n"
    yield "F1 (what it lost) and false activations a minute, on the beginning of each recording.\n"
    changes = dict.fromkeys(change for name in names for change in figures[name])
    rows = (
        [change or "as recorded", *(_cost(figures[name].get(change)) for name in names)] for change in changes
    )
    yield table(["change", *names], rows)


def _cost(own: Report | None) -> str:
    if own is None or not own["recordings"]:
        return "–"
    return f"{own['f1']:.3f} ({own['f1'] - own['unchanged']:+.3f}), {own['false_per_minute']:.2f}"


def _onsets(rows: Sequence[Report]) -> Iterator[str]:
    yield "## Onsets of contractions\n"
    yield "Against the double threshold of Hodges & Bui (1996) on the same electrodes; medians over bursts.\n"
    columns = ("electrodes", "bursts", "onset error, ms", "decided after, ms")
    yield table(
        columns,
        (
            (
                str(row["electrodes"]),
                str(row["bursts"]),
                *(f"{row[c]:.0f}" for c in ("onset_error_ms", "decided_after_ms")),
            )
            for row in rows
        ),
    )


def _rhythm(figures: Report) -> Iterator[str]:
    yield "## Eyes closed: the rhythm, long closures, drowsiness\n"
    yield (
        "Share of the time with closed and with open eyes in which the rhythm is said to be there, from 3 s after each "
        "change. Wished for: at least 90 % and at most 10 %. One person each.\n"
    )
    yield table(
        ("recording", "settings", "closed, s", "on while closed", "open, s", "on while open"),
        (
            (
                row["recording"],
                row["way"] + (f" (refused: {row['refused']})" if row["refused"] else ""),
                f"{row['closed_s']:.0f}",
                f"{row['on_closed']:.0%}",
                f"{row['open_s']:.0f}",
                f"{row['on_open']:.0%}",
            )
            for row in figures.get("eyes", ())
        ),
    )
    yield "Long closures on frontal EEG, onset within 0.7 s, as recorded and AC-coupled:\n"
    rows = figures.get("closures", ())
    yield table(
        ("change", "closures", "found", "false"),
        (
            (row["change"] or "as recorded", *(str(row[c]) for c in ("closures", "found", "false")))
            for row in rows
        ),
    )
    yield (
        "Drowsiness in people at a screen, of whom nobody said that they were sleepy; nothing here says how it does "
        "with people who are. To be believed it needs a calibration when rested.\n"
    )
    sets = dict.fromkeys(row["set"] for row in figures.get("drowsiness", ()))
    rows = []
    for name in sets:
        own = [row for row in figures["drowsiness"] if row["set"] == name]
        hours = sum(row["minutes"] for row in own) / 60
        drowsy = sum(row["drowsy_minutes"] for row in own) / 60
        starts = sum(row["starts"] for row in own)
        rows.append((name, str(len(own)), f"{hours:.2f}", str(starts), f"{drowsy / hours:.1%}"))
    yield table(("set", "people", "hours", "starts", "share of the time"), rows)


def _office(figures: Report) -> Iterator[str]:
    yield "## Hours at a desk in which nobody commanded\n"
    yield (
        "What each ready rule file would have sent an hour, with the wider of the 95 % intervals over people and of "
        "counting; with nothing sent in n hours the upper end is 3.7/n. *Eyes*: office and head-band recordings, one "
        "forehead electrode or the vertical and horizontal EOG. *Arms*: rests between gestures that were asked for "
        "every few seconds, one electrode; no recording of an arm in everyday life is open to us. A profile is "
        "fitted to a person's first ten minutes (half of a shorter recording), in which blinks were spontaneous, "
        "and tried on the rest; who is refused one keeps the default. Files for the heart are not tried: each beat is "
        "meant. The same figures stand in each file's first comment.\n"
    )
    rows = []
    for name, own in figures.items():
        for where in ("eyes", "arms"):
            ways = own[where]
            if ways is None:
                continue
            whole = ways[office_day.PLAIN]
            rows.append(
                (
                    f"`{name}`",
                    where,
                    f"{whole['people']}, {whole['hours']:.2f}",
                    *(
                        _figure(ways[way]["an_hour"], 1)
                        for way in (office_day.PLAIN, office_day.LATER, office_day.FITTED)
                    ),
                    str(ways["refused"]),
                )
            )
    columns = (
        "file",
        "material",
        "people, hours",
        "no profile",
        "later part, no profile",
        "later part, profile",
    )
    yield table((*columns, "refused"), rows)
    untried = [f"`{name}`" for name, own in figures.items() if own["eyes"] is None and own["arms"] is None]
    if untried:
        yield f"Not tried: {', '.join(untried)}.\n"


def _figure(figure: Mapping[str, float | None], digits: int = 3) -> str:
    value, low, high = figure["value"], figure["low"], figure["high"]
    if value is None or value != value:
        return "–"
    if low is None or high is None:
        return f"{value:.{digits}f}"
    return f"{value:.{digits}f} ({low:.{digits}f}–{high:.{digits}f})"


def _number(value: float | None) -> str:
    return "–" if value is None or value != value else f"{value:.3f}"


def _drawn(report: Report) -> list[tuple[str, Report, Report | None]]:
    """The sets of several people: name, figures by method, figures with a profile."""
    return [
        (name, methods, report[detector]["figures"]["fitted"].get(name))
        for detector in DETECTORS
        if detector in report
        for name, methods in report[detector]["figures"]["sets"].items()
        if OURS in methods and methods[OURS]["people"] > 1
    ]


def picture(report: Report, place: Path) -> None:
    """F1 by person in each set, sorted: default, profile on what it did not see, best library."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    sets = _drawn(report)
    figure, axes = pyplot.subplots(
        (len(sets) + 2) // 3, 3, figsize=(12, 2.6 * ((len(sets) + 2) // 3)), squeeze=False
    )
    for axis in axes.flat[len(sets) :]:
        axis.axis("off")
    for axis, (name, methods, fitted) in zip(axes.flat, sets, strict=False):
        others = {by: own for by, own in methods.items() if by != OURS}
        lines = [("default", methods[OURS]["by_person"], "o")]
        if fitted and fitted["people"]:
            lines.append(("profile, unseen part", fitted["fitted"]["by_person"], "^"))
        if others:
            best = max(others, key=lambda by: others[by]["f1"]["value"])
            lines.append((best, others[best]["by_person"], "x"))
        for label, people, marker in lines:
            values = sorted(value for value in people.values() if value == value)
            places = [(number + 0.5) / len(values) for number in range(len(values))]
            axis.plot(places, values, marker=marker, markersize=4, linewidth=0.8, label=label)
        axis.set_title(name, fontsize=10)
        axis.set_ylim(0, 1.02)
        axis.set_xticks([0, 0.25, 0.5, 0.75, 1])
        axis.grid(alpha=0.3)
        axis.legend(fontsize=7, loc="lower right")
        axis.set_xlabel("share of people", fontsize=8)
        axis.set_ylabel("F1", fontsize=8)
    figure.tight_layout()
    figure.savefig(place, dpi=90)
    pyplot.close(figure)
