"""The profile's text: what a person can read and edit, and how it is read back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any, cast

import numpy as np

from bridge.calibration.drift import Bounds
from bridge.calibration.evidence import Counts, Evidence, Prediction, Proposal, Trace
from bridge.calibration.placed_yaml import Placed, PlacedError, compose
from bridge.calibration.profile import VERSION, DetectorProfile, MadeOn, Profile, ProfileError
from bridge.calibration.trials import Reaction
from bridge.detectors import DETECTORS, SettingsError, settings_from
from bridge.signals.types import CHANNEL_KINDS, UNITS, Channel, ChannelKind, Samples, Unit

_HEAD = """\
# A person's profile, made by `biosignal-bridge calibrate`. Settings may be edited by hand; what stands under
# `evidence` was measured with the settings as they were. Intervals are 95 %.
"""
_NEXT_ACTS = 20
_MOST_SIZES = 200
_NEXT_MINUTES = 10.0
_QUARTILES = ("low", "median", "high")


def dump_profile(profile: Profile) -> str:
    """The profile as YAML that ``load_profile`` reads, numbers rounded to five digits."""
    import yaml

    plain = {
        "version": VERSION,
        "person": profile.person,
        "device": profile.device,
        "detectors": {name: plain_detector(part) for name, part in profile.detectors.items()},
    }
    return _HEAD + yaml.dump(
        _rounded(plain), Dumper=_dumper(), sort_keys=False, allow_unicode=True, width=110, indent=2
    )


def _dumper() -> Any:
    """Lists of plain values on one line, everything else one key a line."""
    import yaml

    class Dumper(yaml.SafeDumper):
        pass

    def lists(dumper: yaml.SafeDumper, data: list[Any]) -> yaml.Node:
        flat = all(not isinstance(item, list | dict) for item in data)
        node: yaml.Node = dumper.represent_sequence("tag:yaml.org,2002:seq", data, flow_style=flat)
        return node

    Dumper.add_representer(list, lists)
    return Dumper


def _rounded(value: Any) -> Any:
    if isinstance(value, bool) or value is None or isinstance(value, str | int):
        return value
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.5g}")
    if isinstance(value, Mapping):
        return {str(key): _rounded(item) for key, item in value.items()}
    return [_rounded(item) for item in value]


def plain_detector(part: DetectorProfile) -> dict[str, Any]:
    """One detector's part as plain data, as the file and JSON have it."""
    made = part.made_on
    plain: dict[str, Any] = {
        "settings": dict(part.settings),
        "made_on": {
            "date": made.date,
            "rate_hz": made.rate_hz,
            "filters": made.filters,
            "detector_version": made.detector_version,
            "channels": [{"name": c.name, "kind": c.kind, "unit": c.unit} for c in made.channels],
        },
    }
    if part.bounds is not None:
        b = part.bounds
        plain["bounds"] = {
            "kinds": list(b.kinds),
            "size": b.size,
            "usual": b.usual,
            "low": b.low,
            "high": b.high,
        }
    plain["evidence"] = _plain_evidence(part.evidence)
    return plain


def _plain_evidence(e: Evidence) -> dict[str, Any]:
    plain: dict[str, Any] = {
        "few_acts": e.few,
        "warnings": list(e.warnings),
        "counts": {
            "acts": dict(e.counts.acts),
            "found": e.counts.found,
            "others": e.counts.others,
            "minutes": e.counts.minutes,
            "rest_s": e.counts.rest_s,
            "everyday_s": e.counts.everyday_s,
        },
        "separation": {"d_prime": e.d_prime, "area_under_curve": e.area},
        "predicted": _plain_prediction(e.prediction),
    }
    if e.default is not None:
        plain["without_profile"] = _plain_prediction(e.default)
    if e.prediction.acts and e.prediction.minutes:
        hits, false = e.prediction.next_hits(_NEXT_ACTS), e.prediction.next_false(_NEXT_MINUTES)
        plain["next_session"] = {
            "acts": _NEXT_ACTS,
            "hit_rate": [hits.low, hits.high],
            "minutes": _NEXT_MINUTES,
            "false_per_minute": [false.low, false.high],
        }
    if e.verified is not None:
        plain["verified"] = {"found": e.verified[0], "asked": e.verified[1]}
    if e.latency_s is not None:
        plain["latency_s"] = {"median": e.latency_s[0], "p95": e.latency_s[1]}
    if e.reaction is not None:
        r = e.reaction
        plain["reaction_s"] = {"median": r.median_s, "spread": r.spread_s, "count": r.count}
    plain["cost_ratio"] = e.ratio
    if e.levels:
        plain["levels"] = dict(e.levels)
    plain["proposals"] = [_plain_proposal(item) for item in e.proposals]
    drawn: dict[str, Any] = {"setting": e.setting, "unit": e.unit, "threshold": e.threshold}
    drawn["acts"] = _thinned(e.acts_sizes)
    drawn["others"] = _thinned(e.other_sizes)
    drawn["curve"] = [list(point) for point in e.curve]
    if e.trace is not None:
        low, middle, high = _quartiles(e.trace.rows)
        drawn["trace"] = {
            "start_s": e.trace.start_s,
            "step_s": e.trace.step_s,
            **dict(zip(_QUARTILES, (list(low), list(middle), list(high)), strict=True)),
        }
    plain["drawn"] = drawn
    return plain


def _quartiles(rows: Samples) -> Samples:
    """Lower quartile, median, upper quartile; three rows that were read back stay as they are."""
    if rows.shape[0] == 3:
        return np.sort(rows, axis=0)
    return np.asarray(np.quantile(rows, [0.25, 0.5, 0.75], axis=0), dtype=np.float64)


def _thinned(sizes: Sequence[float]) -> list[float]:
    """At most 200 of many sizes, their distribution kept."""
    if len(sizes) <= _MOST_SIZES:
        return list(sizes)
    return [float(x) for x in np.quantile(np.asarray(sizes), np.linspace(0, 1, _MOST_SIZES))]


def _plain_prediction(p: Prediction) -> dict[str, Any]:
    hits, false = p.hit_interval, p.false_interval
    return {
        "hits": p.hits,
        "acts": p.acts,
        "hit_rate": p.hit_rate,
        "hit_rate_interval": [hits.low, hits.high],
        "false_activations": p.false,
        "minutes": p.minutes,
        "false_per_minute": p.false_per_minute,
        "false_per_minute_interval": [false.low, false.high] if p.minutes else [],
    }


def _plain_proposal(item: Proposal) -> dict[str, Any]:
    return {
        "name": item.name,
        "words": item.words,
        "settings": dict(item.settings),
        "within_s": item.within_s,
        "assumed": item.assumed,
        "predicted": _plain_prediction(item.prediction),
    }


def load_profile(text: str, where: str = "profile") -> Profile:
    """A profile from its text. Raises ProfileError with ``where:line:column``.

    Figures that follow from counts are reckoned anew, not read.
    """
    try:
        return _read(text, where)
    except PlacedError as error:
        raise ProfileError(str(error)) from error


def _read(text: str, where: str) -> Profile:
    root = compose(text, where, "a profile")
    top = root.mapping(("version", "person", "device", "detectors"))
    version = root.get("version").whole(1)
    if version != VERSION:
        raise top["version"].error(
            f"this profile has version {version}, this program reads version {VERSION}: calibrate again"
        )
    detectors = {name: _detector(name, part) for name, part in root.get("detectors").mapping().items()}
    return Profile(root.get("person").text(), root.get("device").text(), detectors)


def _detector(name: str, part: Placed) -> DetectorProfile:
    part.mapping(("settings", "made_on", "bounds", "evidence"))
    if name not in DETECTORS:
        raise part.key_error(f"there is no detector {name!r}; known: {', '.join(DETECTORS)}")
    made = part.get("made_on")
    made.mapping(("date", "rate_hz", "filters", "detector_version", "channels"))
    made_on = MadeOn(
        channels=tuple(_channel(item) for item in made.get("channels")),
        rate_hz=made.get("rate_hz").number(1e-3, 1e6),
        detector_version=made.get("detector_version").whole(1),
        filters=made.get("filters").text(),
        date=made.get("date").text(),
    )
    settings = {key: value.scalar() for key, value in part.get("settings").mapping().items()}
    if made_on.detector_version == DETECTORS[name].version:
        _check_settings(name, part.get("settings"), settings)
    bounds = part.find("bounds")
    evidence = part.find("evidence")
    return DetectorProfile(
        settings,
        made_on,
        _evidence(evidence)
        if evidence is not None
        else Evidence(Counts({}, 0, 0, 0.0), None, None, _NOTHING),
        _bounds(bounds) if bounds is not None else None,
    )


_NOTHING = Prediction(0, 0, 0, 0.0)


def _check_settings(name: str, part: Placed, settings: Mapping[str, Any]) -> None:
    type_ = DETECTORS[name]
    placed = part.mapping(tuple(item.name for item in fields(type_.settings)))

    def problem(given: Mapping[str, Any]) -> str:
        try:
            settings_from(type_.settings, given)
        except SettingsError as error:
            return str(error)
        return ""

    what = problem(settings)
    if what:
        # The one without which all is well is the one that is wrong; it may be wrong only beside another.
        guilty = (key for key in settings if not problem({k: v for k, v in settings.items() if k != key}))
        raise placed.get(next(guilty, ""), part).error(what)


def _channel(part: Placed) -> Channel:
    part.mapping(("name", "kind", "unit"))
    kind, unit = part.get("kind"), part.get("unit")
    if kind.text() not in CHANNEL_KINDS:
        raise kind.error(f"there is no channel kind {kind.text()!r}; known: {', '.join(CHANNEL_KINDS)}")
    if unit.text() not in UNITS:
        raise unit.error(f"there is no unit {unit.text()!r}; known: {', '.join(UNITS)}")
    return Channel(part.get("name").text(), cast(ChannelKind, kind.text()), cast(Unit, unit.text()))


def _bounds(part: Placed) -> Bounds:
    part.mapping(("kinds", "size", "usual", "low", "high"))
    usual = part.get("usual").number(0)
    return Bounds(
        tuple(item.text() for item in part.get("kinds")),
        part.get("size").text(),
        usual,
        part.get("low").number(0, usual),
        part.get("high").number(usual),
    )


def _evidence(part: Placed) -> Evidence:
    counts = part.get("counts")
    separation = part.get("separation")
    drawn = part.get("drawn")
    default, verified = part.find("without_profile"), part.find("verified")
    latency, reaction = part.find("latency_s"), part.find("reaction_s")
    levels = part.find("levels")
    few = part.get("few_acts").scalar()
    if not isinstance(few, bool):
        raise part.get("few_acts").error("few_acts must be true or false")
    return Evidence(
        counts=Counts(
            acts={key: value.whole() for key, value in counts.get("acts").mapping().items()},
            found=counts.get("found").whole(),
            others=counts.get("others").whole(),
            minutes=counts.get("minutes").number(0),
            rest_s=counts.get("rest_s").number(0),
            everyday_s=counts.get("everyday_s").number(0),
        ),
        d_prime=_maybe(separation, "d_prime"),
        area=_maybe(separation, "area_under_curve"),
        prediction=_prediction(part.get("predicted")),
        default=None if default is None else _prediction(default),
        verified=None if verified is None else (verified.get("found").whole(), verified.get("asked").whole()),
        latency_s=None if latency is None else (latency.get("median").number(), latency.get("p95").number()),
        reaction=None
        if reaction is None
        else Reaction(
            reaction.get("median").number(), reaction.get("spread").number(0), reaction.get("count").whole()
        ),
        ratio=part.get("cost_ratio").number(0),
        setting=drawn.get("setting").text(),
        unit=drawn.get("unit").text(),
        threshold=_maybe(drawn, "threshold"),
        acts_sizes=tuple(item.number() for item in drawn.get("acts")),
        other_sizes=tuple(item.number() for item in drawn.get("others")),
        curve=tuple(_point(item) for item in drawn.get("curve")),
        trace=_trace(drawn),
        levels={key: value.number() for key, value in levels.mapping().items()} if levels is not None else {},
        proposals=tuple(_proposal(item) for item in part.get("proposals")),
        few=few,
        warnings=tuple(item.text() for item in part.get("warnings")),
    )


def _maybe(part: Placed, key: str) -> float | None:
    value = part.find(key)
    return None if value is None else value.number()


def _point(part: Placed) -> tuple[float, float, float]:
    values = [item.number() for item in part]
    if len(values) != 3:
        raise part.error(
            "a point of the curve has three numbers: setting, hit rate, false activations a minute"
        )
    return values[0], values[1], values[2]


def _prediction(part: Placed) -> Prediction:
    acts = part.get("acts").whole()
    hits = part.get("hits").whole()
    if hits > acts:
        raise part.get("hits").error(f"{hits} hits in {acts} acts is impossible")
    return Prediction(hits, acts, part.get("false_activations").whole(), part.get("minutes").number(0))


def _trace(drawn: Placed) -> Trace | None:
    """Three rows stand for all: the quartiles."""
    part = drawn.find("trace")
    if part is None:
        return None
    rows = [[item.number() for item in part.get(name)] for name in _QUARTILES]
    if len({len(row) for row in rows}) != 1:
        raise part.error("the three rows of the trace must be equally long")
    return Trace(part.get("start_s").number(), part.get("step_s").number(1e-4), np.array(rows))


def _proposal(part: Placed) -> Proposal:
    return Proposal(
        part.get("name").text(),
        part.get("words").text(),
        {key: value.number() for key, value in part.get("settings").mapping().items()},
        _maybe(part, "within_s"),
        _prediction(part.get("predicted")),
        part.get("assumed").text(),
    )
