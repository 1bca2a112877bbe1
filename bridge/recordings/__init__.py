"""Reading and writing recordings: EDF+ and BDF+, WFDB, CSV, and the annotations beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from bridge.extras import need
from bridge.recordings.recording import ChannelChoice, Recording, RecordingError
from bridge.signals.types import Annotation

__all__ = [
    "ChannelChoice",
    "Recording",
    "RecordingError",
    "check_readers",
    "is_recording",
    "read",
    "read_annotations",
]

_EDF = {".edf", ".bdf", ".rec"}
_TEXT = {".csv", ".tsv", ".txt"}
_HEADER = ".hea"
_WFDB = {_HEADER, ".dat", ".atr"}


def is_recording(name: str | Path) -> bool:
    """Is it called like a recording? A WFDB record goes by its header. Nothing is looked at."""
    return Path(name).suffix.lower() in {*_EDF, *_TEXT, _HEADER}


def read(
    path: str | Path, *, rate: float | None = None, channels: Sequence[ChannelChoice] | None = None
) -> Recording:
    """Read a recording, by its file's ending: EDF+, BDF+, WFDB (``.hea``) or CSV.

    ``rate`` (Hz) is for CSV without a column of times. ``channels`` names what is read, in that order, and
    may say what each carries. Raises RecordingError, and MissingExtraError for WFDB without the library.
    """
    path = _existing(path)
    kind = path.suffix.lower()
    if kind in _EDF:
        from bridge.recordings.edf_file import read_edf

        return read_edf(path, channels)
    if kind in _WFDB:
        need("wfdb", str(path))
        from bridge.recordings.wfdb_file import read_wfdb

        return read_wfdb(path.with_suffix(_HEADER), channels)
    if kind in _TEXT:
        from bridge.recordings.csv_file import read_csv

        return read_csv(path, rate, channels)
    raise RecordingError(
        path, f"files ending in {path.suffix!r} cannot be read", "use .edf, .bdf, .hea or .csv"
    )


def read_annotations(path: str | Path, *, rate: float | None = None) -> tuple[Annotation, ...]:
    """Reference annotations: CSV ``onset,duration,label``, a WFDB annotation file, or those inside EDF+.

    Beats of a WFDB file become ``heartbeat``. ``rate`` (Hz) is for an annotation file without its header.
    Raises RecordingError, and MissingExtraError for WFDB without the library.
    """
    path = _existing(path)
    kind = path.suffix.lower()
    if kind in _EDF:
        from bridge.recordings.edf_file import read_edf_annotations

        return read_edf_annotations(path)
    if kind in _TEXT:
        from bridge.recordings.annotations import read_csv_annotations

        return read_csv_annotations(path)
    need("wfdb", str(path))
    from bridge.recordings.wfdb_file import read_wfdb_annotations

    return read_wfdb_annotations(path, rate)


def check_readers(recordings: Iterable[str | Path], references: Iterable[str | Path] = ()) -> None:
    """Is everything installed that reading these takes? It is asked before any work is done.

    Nothing is read, and a file that is not there is not told here. Raises MissingExtraError.
    """
    for path in recordings:
        if _kind(path) in _WFDB:
            need("wfdb", str(path))
    for path in references:
        if _kind(path) not in _EDF | _TEXT and Path(path).exists():
            need("wfdb", str(path))


def _kind(path: str | Path) -> str:
    """The ending that settles how it is read."""
    try:
        return _existing(path).suffix.lower()
    except RecordingError:
        return Path(path).suffix.lower()


def _existing(path: str | Path) -> Path:
    """The file; a WFDB record may be named without its ending."""
    path = Path(path)
    try:
        if path.is_file():
            return path
        header = path.parent / f"{path.name}{_HEADER}"  # `.` and `/` have no name to change
        if path.name and not path.exists() and header.is_file():
            return header
        folder = path.is_dir()
    except OSError as error:  # such as a name that is too long
        raise RecordingError(path, f"cannot be read ({error.strerror})") from error
    raise RecordingError(path, "it is a folder, not a file" if folder else "there is no such file")
