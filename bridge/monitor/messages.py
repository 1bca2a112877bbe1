"""What a page may say to the daemon. Anything else closes the connection."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

MOST_BYTES = 4096
MOST_A_SECOND = 60

_Name = Annotated[str, Field(max_length=100)]
_Setting = Annotated[float, Field(allow_inf_nan=False)] | bool | Annotated[str, Field(max_length=60)] | None


class _Message(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Start(_Message):
    """First message. ``columns``: the next column wanted of each stream; ``log``: the last entry seen.

    ``token`` says who it is.
    """

    type: Literal["start"]
    token: Annotated[str, Field(max_length=200, repr=False)] = ""
    boot: _Name = ""
    layout: int = 0
    epochs: Annotated[list[int], Field(max_length=64)] = []
    columns: Annotated[list[int], Field(max_length=64)] = []
    log: Annotated[int, Field(ge=0)] = 0


class View(_Message):
    """A hidden tab asks for nothing."""

    type: Literal["view"]
    visible: bool


class Pause(_Message):
    type: Literal["pause"]
    paused: bool


class Arm(_Message):
    type: Literal["arm"]
    armed: bool


class Tune(_Message):
    """Try settings on what is kept; the answer carries ``id``. ``fresh``: on the newest two minutes."""

    type: Literal["tune"]
    id: Annotated[int, Field(ge=0, lt=2**32)]
    fresh: bool = False
    stream: _Name
    detector: _Name
    settings: Annotated[dict[_Name, _Setting], Field(max_length=40)]


class Keep(_Message):
    """Keep settings of a detector in the profile."""

    type: Literal["keep"]
    detector: _Name
    settings: Annotated[dict[_Name, _Setting], Field(max_length=40)]


class Calibrate(_Message):
    """Begin a calibration. ``slower``: the cues take so many times longer."""

    type: Literal["calibrate"]
    detectors: Annotated[list[_Name], Field(min_length=1, max_length=10)]
    few: bool = False
    force: bool = False
    slower: Annotated[float, Field(ge=1, le=5)] = 1.0


class CalibrationKey(_Message):
    """Repeat the step, go on after it, stop, or keep what was found."""

    type: Literal["calibration"]
    press: Literal["repeat", "go", "stop", "keep"]


Message = Start | View | Pause | Arm | Tune | Keep | Calibrate | CalibrationKey
_ADAPTER: TypeAdapter[Message] = TypeAdapter(Annotated[Message, Field(discriminator="type")])


def parse(text: str) -> Message:
    """Raises ValueError when the text is no message we know."""
    try:
        return _ADAPTER.validate_json(text)
    except ValidationError as error:
        raise ValueError(f"{error.error_count()} mistakes in a message") from error
