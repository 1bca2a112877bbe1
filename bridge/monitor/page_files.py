"""The page's own files, read once from the package: nothing else can be asked for."""

from __future__ import annotations

from importlib import resources

_TYPES = {".html": "text/html", ".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}


def load() -> dict[str, tuple[bytes, str]]:
    """Name to content and media type."""
    found = {}
    for item in resources.files("bridge.monitor").joinpath("page").iterdir():
        suffix = item.name[item.name.rfind(".") :]
        if suffix in _TYPES:
            found[item.name] = (item.read_bytes(), _TYPES[suffix])
    return found
