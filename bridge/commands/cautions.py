"""What must be read before electrodes touch a person: told wherever a command meets a board."""

from __future__ import annotations

from collections.abc import Iterable

from bridge.sources.protocol import Source

CAUTIONS = (
    "Electrodes on the body: run on battery, with nothing on mains touching the circuit; not with a "
    "pacemaker or other implant; stop if the skin is irritated. Not a medical device. Local codes and "
    "licensed practice come first."
)


def on_a_body(sources: Iterable[Source]) -> bool:
    """May somebody be wired to one of these? Not to a recording, nor to the synthetic person."""
    from bridge.sources.replay import ReplaySource
    from bridge.sources.synthetic import SyntheticSource

    return any(not isinstance(source, ReplaySource | SyntheticSource) for source in sources)
