"""Read what a command line names: an attached drive, a saved reading, or the text report of a drive."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from drivecare.errors import DriveCareError
from drivecare.hardware.device_path import is_device
from drivecare.reading.model import Reading
from drivecare.reading.reading_files import load_reading
from drivecare.work import Machine


def is_attached(source: str) -> bool:
    """Whether `source` means an attached drive; otherwise it is a file."""
    return is_device(source)


def read_source(source: str, machine: Machine) -> Reading:
    """One reading, asked of the attached drive or loaded from the file. Raises BadInput, Unavailable."""
    (reading,) = read_sources((source,), machine)
    if isinstance(reading, DriveCareError):
        raise reading
    return reading


def read_sources(
    sources: Sequence[str], machine: Machine, *, transport: str | None = None
) -> tuple[Reading | DriveCareError, ...]:
    """Every reading, or the error in its place, in the order of `sources`; attached drives are read in parallel."""
    attached = [source for source in sources if is_attached(source)]
    readings: dict[str, Reading | DriveCareError] = {}
    if attached:
        from drivecare.hardware.smart import read_drives  # threads, which a saved reading does not need

        readings |= zip(attached, read_drives(attached, transport=transport, machine=machine), strict=True)
    for source in sources:
        if source not in readings:
            readings[source] = _load_or_error(source)
    return tuple(readings[source] for source in sources)


def _load_or_error(path: str) -> Reading | DriveCareError:
    try:
        return load_reading(Path(path))
    except DriveCareError as error:
        return error
