"""A detector's settings as plain data for the page."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from typing import Any


def settings_to_json(settings: Any) -> dict[str, Any]:
    """Name to value of a settings dataclass; values that JSON cannot carry become None."""
    if not is_dataclass(settings):
        return {}
    return {item.name: _plain(getattr(settings, item.name)) for item in fields(settings)}


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if value is None or isinstance(value, bool | int | float | str) else str(value)
