"""Firmware that is known to fail its drive: `profiles/firmware.toml`."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Literal

from drivecare.documents import Strict, decode_shipped
from drivecare.reading.model import Drive
from drivecare.risk.rules import Provenance


class FirmwareDefect(Strict, frozen=True, kw_only=True):
    """What one maker's firmware does to its drives, from which hour on, and which version no longer does."""

    model: str
    versions: str
    what: str
    from_hours: int | None = None
    fixed: str | None = None
    sure: Literal["report", "memory"]
    source: Provenance

    def describe(self, hours: int | None) -> str:
        """What it does, how far off that is, and where to look it up."""
        left = None if self.from_hours is None or hours is None else self.from_hours - hours
        when = "" if left is None else f" ({left:,} hours from now)" if left > 0 else " (those hours are past)"
        mended = f" Mended in {self.fixed}." if self.fixed else ""
        origin = " From memory: look it up first." if self.sure == "memory" else ""
        return f"This firmware {self.what}{when}.{mended}{origin} See {self.source.title} ({self.source.year})"


class FirmwareFile(Strict, frozen=True, kw_only=True):
    """The file of known defects."""

    firmware: tuple[FirmwareDefect, ...]


@cache
def load_firmware_defects() -> tuple[FirmwareDefect, ...]:
    """The defects that ship with drivecare, read once."""
    return decode_shipped(FirmwareFile, "firmware.toml").firmware


def find_firmware_defects(drive: Drive) -> Iterator[FirmwareDefect]:
    """The known defects of a drive's firmware; none where model or version is unknown."""
    if not drive.model or not drive.firmware:
        return
    for defect in load_firmware_defects():
        if re.search(defect.model, drive.model, re.I) and re.search(defect.versions, drive.firmware, re.I):
            yield defect
