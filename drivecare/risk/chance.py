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
from drivecare.reading.model import Reading
from drivecare.risk.findings import RANK
from drivecare.risk.model import Chance, Finding
from drivecare.risk.rules import Provenance
from drivecare.risk.survival import load_table

OUTSIDE_CAUSES = frozenset({"link", "heat", "locked", "none"})
NO_DATA = Chance(basis="no usable health data, so no chance is given")
NO_KIND = Chance(basis="hard drive or solid state is not known, so no chance is given")


class Rate(Strict, frozen=True, kw_only=True):
    """One row: the kind of drive, the worst it shows, and the chance as fractions."""

    kind: Literal["hdd", "ssd"]
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
def published_rates() -> dict[tuple[str, str], Rate]:
    """The rates that ship with drivecare, by kind of drive and by the worst it shows."""
    rates = decode_shipped(_RatesFile, "risk/published-rates.toml").rate
    return {(rate.kind, rate.shows): rate for rate in rates}


def published_chance(reading: Reading, findings: Iterable[Finding]) -> Chance:
    """The chance by the table of published rates and judgement, from the worst sign that the drive itself shows."""
    kind = reading.drive.kind
    if kind == "unknown":
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
    )


def overall_chance(measured: Chance | None, reading: Reading, findings: Iterable[Finding]) -> Chance:
    """The measured chance, unless what it does not cover (an alarm, a failed self-test) gives a higher one."""
    if measured is None or measured.estimate is None:
        return published_chance(reading, findings)
    uncovered = [f for f in findings if f.signal not in _measured_signals() and f.severity in ("replace", "evacuate")]
    published = published_chance(reading, uncovered)
    if uncovered and published.estimate is not None and published.estimate > measured.estimate:
        return msgspec.structs.replace(published, clean=measured.clean)
    return measured


@cache
def _measured_signals() -> frozenset[str]:
    """The signals that the survival table covers, and the estimate itself."""
    return frozenset(name for ladder in load_table().ladders for name in ladder.values) | {"estimate"}
