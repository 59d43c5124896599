"""A timed read of a drive's surface, as a document: what could not be read, what was slow, how the speed ran.

The scanner writes it, the rules read it. Offsets and lengths are bytes from the start of the drive or image.
"""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value
from drivecare.reading.identity import DriveId, Identity, Named, compare, normalise_serial


class UnreadableArea(Value, frozen=True, kw_only=True):
    """Bytes that the drive answered with an error."""

    offset: int
    length: int


class SlowArea(Value, frozen=True, kw_only=True):
    """Bytes that came, but far later than their neighbours."""

    offset: int
    length: int
    milliseconds: float
    expected_milliseconds: float


class SpeedPoint(Value, frozen=True, kw_only=True):
    """The speed of reading around one offset, in 10^6 bytes per second."""

    offset: int
    mb_per_s: float


class Latency(Value, frozen=True, kw_only=True):
    """How long single reads took, in milliseconds: percentiles and the longest."""

    p50: float | None = None
    p95: float | None = None
    p99: float | None = None
    p999: float | None = None
    longest: float | None = None


class SurfaceScan(Value, frozen=True, kw_only=True):
    """One timed read of a surface.

    `bytes_read` counts what was asked for, readable or not; with `sample_percent` under 100 it is less than
    `bytes_total`. `complete` is false when the scan stopped early; `stopped_because` says why.
    """

    schema: Literal["drivecare/readscan-1"] = "drivecare/readscan-1"
    path: str | None = None
    model: str | None = None
    serial: str | None = None
    wwn: str | None = None
    identity: Identity = Identity()
    started: str
    finished: str
    bytes_total: int
    bytes_read: int
    logical_sector_bytes: int | None = None  # what an LBA counts; of a drive that was asked
    sample_percent: float = 100.0
    unreadable: tuple[UnreadableArea, ...] = ()
    slow: tuple[SlowArea, ...] = ()
    curve: tuple[SpeedPoint, ...] = ()
    latency: Latency = Latency()
    temperature_max_celsius: int | None = None
    complete: bool = True
    stopped_because: str | None = None

    @property
    def whole(self) -> bool:
        """Whether all of the surface was asked for."""
        return self.complete and self.sample_percent == 100

    @property
    def scanned(self) -> DriveId:
        """The drive that was read. A scan of 0.1.0 tells its WWN or a serial number that may be the dock's."""
        identity = self.identity
        if identity.strength == "none" and self.wwn:
            identity = Identity.from_names(wwn=self.wwn)
        return DriveId(model=self.model, serial=self.serial, identity=identity)

    def may_be_of(self, drive: Named) -> bool:
        """Whether the scan counts as evidence about a drive: it is of that drive, or both show one serial number."""
        answer = compare(self.scanned, drive)
        if answer != "unknown":
            return answer == "yes"
        return bool(self.serial) and normalise_serial(self.serial) == normalise_serial(drive.serial)
