"""The chance of failing within 12 months: measured survival for hard drives, published figures for the rest.

Where our own data do not reach (solid state, SAS, counters that were not read) a short table in
`profiles/risk/published-rates.toml` stands in: the figures of studies for drives that show nothing, and our judgement,
with a wide interval, for those that show something. Such a figure is shown and never decides a verdict.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import Literal

import msgspec

from drivecare.documents import Strict, decode_shipped
from drivecare.reading.model import Drive, Reading
from drivecare.risk.findings import RANK
from drivecare.risk.model import Chance, Finding
from drivecare.risk.rules import Provenance
from drivecare.risk.survival import load_table

OUTSIDE_CAUSES = frozenset({"link", "heat", "locked", "none"})
COUNTERS = (
    "reallocated",
    "pending",
    "offline_uncorrectable",
    "reported_uncorrectable",
    "media_errors",
    "grown_defects",
)
NO_DATA = Chance(basis="no usable health data, so no chance is given")
NO_KIND = Chance(basis="hard drive or solid state is not known, so no chance is given")


RateKind = Literal["hdd", "sas", "ssd", "nvme", "sas-ssd", "unknown"]
UNMEASURED: dict[RateKind, tuple[str, ...]] = {
    "sas": ("SAS drives",),
    "nvme": ("NVMe drives",),
    "unknown": ("drives that do not say whether they have platters",),
}


class Rate(Strict, frozen=True, kw_only=True):
    """One row: the kinds of drive, the worst they show, and the chance as fractions."""

    kinds: tuple[RateKind, ...]
    shows: Literal["nothing", "recheck", "replace", "evacuate"]
    estimate: float
    low: float
    high: float
    source: Provenance

    def __post_init__(self) -> None:
        if not 0 <= self.low <= self.estimate <= self.high <= 1:
            raise ValueError("0 <= low <= estimate <= high <= 1 does not hold")


class _RatesFile(Strict, frozen=True, kw_only=True):
    rate: tuple[Rate, ...]


@cache
def published_rates() -> dict[tuple[RateKind, str], Rate]:
    """The rates that ship with drivecare, by kind of drive and by the worst it shows."""
    rates = decode_shipped(_RatesFile, "risk/published-rates.toml").rate
    return {(kind, rate.shows): rate for rate in rates for kind in rate.kinds}


def rate_kind(drive: Drive) -> RateKind:
    """The kind of drive whose rates apply: what holds of SATA drives need not hold of those that speak SCSI or NVMe."""
    if drive.kind == "ssd":
        return {"nvme": "nvme", "scsi": "sas-ssd"}.get(drive.protocol or "", "ssd")  # type: ignore[return-value]
    return "sas" if drive.kind == "hdd" and drive.protocol == "scsi" else drive.kind


def published_chance(reading: Reading, findings: Iterable[Finding]) -> Chance:
    """The chance by the table of published rates and judgement, from the worst sign that the drive itself shows."""
    kind = rate_kind(reading.drive)
    if kind == "unknown" and not reads_counters(reading):
        return NO_KIND
    severities = [f.severity for f in findings if f.fault_class not in OUTSIDE_CAUSES and f.severity != "blocked"]
    worst = min(severities, key=RANK.__getitem__, default="note")
    rates = published_rates()
    rate = rates[kind, "nothing" if worst == "note" else worst]
    return Chance(
        estimate=rate.estimate,
        low=rate.low,
        high=rate.high,
        basis=rate.source.cite(),
        clean=rates[kind, "nothing"].estimate,
        unmeasured=UNMEASURED.get(kind, ()),
    )


def reads_counters(reading: Reading) -> bool:
    """Whether any counter of defects came through."""
    return any(getattr(reading.values, name) is not None for name in COUNTERS)


def overall_chance(measured: Chance | None, reading: Reading, findings: Iterable[Finding]) -> Chance:
    """The measured chance, unless what it does not cover (an alarm, a failed self-test) gives a higher one."""
    if measured is None or measured.estimate is None:
        return published_chance(reading, findings)
    uncovered = [f for f in findings if f.signal not in _measured_signals() and f.severity in ("replace", "evacuate")]
    published = published_chance(reading, uncovered)
    if uncovered and published.estimate is not None and published.estimate > measured.estimate:
        return msgspec.structs.replace(published, clean=measured.clean, unmeasured=measured.unmeasured)
    return measured


@cache
def _measured_signals() -> frozenset[str]:
    """The signals that the survival table covers, and the estimate itself."""
    return frozenset(name for ladder in load_table().ladders for name in ladder.values) | {"estimate"}
