"""The chance that a hard drive fails within 12 months, from the state its reading shows.

Each error counter climbs a ladder whose rungs are worth points. The sum of the points is the drive's state, and the
chance is what became of the drives seen in such a state on any reading day, whatever they did afterwards
(Kaplan-Meier). Counters that rise together are not multiplied as if they were independent: their sum is looked up in
what was observed. More of anything never lowers the chance. Points and chances are data,
`profiles/risk/hdd-survival.toml`, rebuilt by `docs/evidence/calibrate.py`; docs/evidence.md argues them.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from functools import cache

import msgspec

from drivecare.documents import Strict, Value, decode_shipped
from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.model import Reading, Values
from drivecare.risk.model import Chance


class Rung(Strict, frozen=True, kw_only=True):
    """From this raw count on, the ladder is worth this many points."""

    start: int = msgspec.field(name="from")
    points: int


class Ladder(Strict, frozen=True, kw_only=True):
    """Fields of `Values` that count the same thing, the highest of which counts, and what their counts are worth."""

    label: str
    values: tuple[str, ...]
    smart: tuple[int, ...]
    rungs: tuple[Rung, ...]

    def __post_init__(self) -> None:
        starts, points = ([rung.start for rung in self.rungs], [rung.points for rung in self.rungs])
        if starts != sorted(set(starts)) or points != sorted(set(points)) or starts[:1] < [1] or points[:1] < [1]:
            raise ValueError(f"the rungs of {self.label} must begin at 1 or more and rise")

    def points(self, count: int) -> int:
        """Points for a raw count; 0 below the first rung."""
        reached = bisect_right(self.rungs, count, key=lambda rung: rung.start)
        return self.rungs[reached - 1].points if reached else 0


class MeasuredChance(Strict, frozen=True, kw_only=True):
    """A measured chance of failing within the horizon, fractions 0 to 1.

    `readings`: drives counted on each reading day they were seen on; `failed`: different drives that failed.
    `with_excluded`: the chance when the models left out of the table are counted too.
    """

    chance: float
    low: float
    high: float
    with_excluded: float
    readings: int
    failed: int

    def __post_init__(self) -> None:
        if not 0 < self.low <= self.chance <= self.high < 1:
            raise ValueError("a measured chance needs 0 < low <= chance <= high < 1")


class BaseRate(MeasuredChance, frozen=True, kw_only=True):
    """The chance of drives without points from this age on. `judged`: too few were seen to measure it."""

    from_years: int
    judged: bool = False


class Band(MeasuredChance, frozen=True, kw_only=True):
    """Drives with points near these; between two bands the chance is interpolated."""

    points: float


class SurvivalTable(Strict, frozen=True, kw_only=True):
    """The calibrated table and where it comes from."""

    source: str
    first_day: str
    last_day: str
    horizon_days: int
    excluded_models: tuple[str, ...]
    ladders: tuple[Ladder, ...] = msgspec.field(name="ladder")
    base_rates: tuple[BaseRate, ...] = msgspec.field(name="base_rate")
    bands: tuple[Band, ...] = msgspec.field(name="band")

    def __post_init__(self) -> None:
        if not self.source.strip():
            raise ValueError("the table needs its source")
        if not self.base_rates or self.base_rates[0].from_years != 0 or not self.bands:
            raise ValueError("the table needs a base rate from 0 years on, and bands")
        for rows in (self.base_rates, self.bands):
            for column in ("chance", "low", "high"):
                figures = [getattr(row, column) for row in rows]
                if figures != sorted(figures):
                    raise ValueError(f"{column} must not fall from one row to the next")


class ScorePart(Value, frozen=True, kw_only=True):
    """What one ladder adds. `field` is the field of `Values` that counts, `count` its raw count."""

    label: str
    field: str
    count: int
    points: int


class Score(Value, frozen=True, kw_only=True):
    """The state of one drive: the points of each ladder, most first, and the fields that the drive does not report."""

    points: int
    parts: tuple[ScorePart, ...]
    missing: tuple[str, ...]


@cache
def load_table() -> SurvivalTable:
    """The table that ships with drivecare."""
    return decode_shipped(SurvivalTable, "risk/hdd-survival.toml")


def score(values: Values, table: SurvivalTable | None = None) -> Score:
    """Score the counters that the drive reports."""
    parts: list[ScorePart] = []
    missing: list[str] = []
    for ladder in (table or load_table()).ladders:
        counts = [(count, name) for name in ladder.values if (count := getattr(values, name)) is not None]
        missing += [name for name in ladder.values if getattr(values, name) is None]
        if counts:
            count, name = max(counts, key=lambda pair: pair[0])
            parts.append(ScorePart(label=ladder.label, field=name, count=count, points=ladder.points(count)))
    parts.sort(key=lambda part: -part.points)
    return Score(points=sum(part.points for part in parts), parts=tuple(parts), missing=tuple(missing))


def measured_chance(reading: Reading, table: SurvivalTable | None = None) -> Chance | None:
    """Look up the chance of failing within 12 months; None where nothing is known.

    Only hard drives that report at least one of the counters are covered; no SAS drives were measured.
    """
    table = table or load_table()
    state = score(reading.values, table)
    if reading.drive.kind != "hdd" or reading.drive.protocol == "scsi" or not state.parts:
        return None
    hours = reading.values.power_on_hours
    estimate, low, high, with_excluded = look_up(table, state.points, hours)
    return Chance(
        estimate=estimate,
        low=low,
        high=high,
        clean=base_rate(table, hours).chance,
        basis=_basis(table, state.points, hours, with_excluded),
    )


def base_rate(table: SurvivalTable, power_on_hours: int | None) -> BaseRate:
    """The row for a drive of this age with nothing to show; where its age is unknown, that of the youngest."""
    years = (power_on_hours or 0) / HOURS_PER_YEAR
    return table.base_rates[bisect_right(table.base_rates, years, key=lambda row: float(row.from_years)) - 1]


def look_up(table: SurvivalTable, points: int, power_on_hours: int | None) -> tuple[float, float, float, float]:
    """Look up (estimate, low, high, estimate with the excluded models counted) of a state.

    Without points: the base rate for the age. With points: interpolated between the bands, never below the base rate.
    """
    base = base_rate(table, power_on_hours)

    def figure(column: str) -> float:
        base_figure: float = getattr(base, column)
        return round(max(base_figure, _interpolate(points, *curve(table, column))), 4)

    return figure("chance"), figure("low"), figure("high"), figure("with_excluded")


def curve(table: SurvivalTable, column: str = "chance") -> tuple[list[float], list[float]]:
    """(points, figures) between which a state is interpolated: young drives without points, then every band."""
    rows = (table.base_rates[0], *table.bands)
    return [0.0, *(band.points for band in table.bands)], [getattr(row, column) for row in rows]


def _interpolate(x: float, xs: Sequence[float], ys: Sequence[float]) -> float:
    """Straight lines in the logarithm of the cumulative hazard, -ln(1 - p); the last value beyond the last point."""
    right = bisect_right(xs, x)
    if right == len(xs):
        return ys[-1]
    share = (x - xs[right - 1]) / (xs[right] - xs[right - 1])
    from_log, to_log = (math.log(-math.log1p(-y)) for y in ys[right - 1 : right + 1])
    return -math.expm1(-math.exp((1 - share) * from_log + share * to_log))


def _basis(table: SurvivalTable, points: int, hours: int | None, with_excluded: float) -> str:
    """One sentence on where the number comes from."""
    row: MeasuredChance = base_rate(table, hours)
    if points == 0 and base_rate(table, hours).judged:
        return (
            f"judgement: only {row.readings:,} readings of drives this old that show none of these signs, too few to "
            f"measure, so the upper end for younger ones stands here ({table.source})"
        )
    state = "that show none of these signs at this age"
    if points > 0:
        row, state = min(table.bands, key=lambda band: abs(band.points - points)), "in a state like this"
    return (
        f"measured: {row.readings:,} readings of drives {state}, followed for a year; {row.failed:,} drives failed "
        f"({table.source}, {table.first_day[:4]} to {table.last_day[:4]}; "
        f"{with_excluded:.1%} with {', '.join(table.excluded_models)} counted)"
    )
