"""A timed read of a drive's surface, as a document: what could not be read, what was slow, how the speed ran.

The scanner writes it, the rules read it. Offsets and lengths are bytes from the start of the drive or image.
"""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value


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
    started: str
    finished: str
    bytes_total: int
    bytes_read: int
    sample_percent: float = 100.0
    unreadable: tuple[UnreadableArea, ...] = ()
    slow: tuple[SlowArea, ...] = ()
    curve: tuple[SpeedPoint, ...] = ()
    latency: Latency = Latency()
    temperature_max_celsius: int | None = None
    complete: bool = True
    stopped_because: str | None = None
