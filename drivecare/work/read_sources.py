"""Read what a command line names: an attached drive, a saved reading, or the text report of a drive."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from drivecare.errors import DriveCareError
from drivecare.hardware.device_path import is_device
from drivecare.reading.model import Reading
from drivecare.reading.reading_files import load_readings, readings_of
from drivecare.work import Machine

PASTED: Final = "-"
"""Instead of a file: a report that is piped or typed in. A file of that name is ./-."""


def is_attached(source: str) -> bool:
    """Whether `source` means an attached drive; otherwise it is a file."""
    return is_device(source)


def read_source(source: str, machine: Machine) -> Reading:
    """One reading, asked of the attached drive or loaded from the file. Raises BadInput, Unavailable."""
    (readings,) = read_sources((source,), machine)
    if isinstance(readings, DriveCareError):
        raise readings
    return readings[-1]


def read_sources(
    sources: Sequence[str], machine: Machine, *, transport: str | None = None, pasted: bytes = b""
) -> tuple[tuple[Reading, ...] | DriveCareError, ...]:
    """The readings of every source, oldest first, or the error in their place; attached drives are read in parallel.

    `pasted`: the report that PASTED stands for.
    """
    attached = [source for source in sources if is_attached(source)]
    readings: dict[str, tuple[Reading, ...] | DriveCareError] = {}
    if attached:
        from drivecare.hardware.smart import read_drives  # threads, which a saved reading does not need

        answers = read_drives(attached, transport=transport, machine=machine)
        for source, answer in zip(attached, answers, strict=True):
            readings[source] = (answer,) if isinstance(answer, Reading) else answer
    for source in sources:
        if source not in readings:
            readings[source] = _load_or_error(source, pasted)
    return tuple(readings[source] for source in sources)


def _load_or_error(path: str, pasted: bytes) -> tuple[Reading, ...] | DriveCareError:
    try:
        return readings_of(pasted, origin="what was pasted") if path == PASTED else load_readings(Path(path))
    except DriveCareError as error:
        return error
