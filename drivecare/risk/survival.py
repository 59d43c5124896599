"""The chance that a hard drive fails within 12 months, from its maker and from the state its reading shows.

Each error counter climbs a ladder whose rungs are worth points: failures that it adds per 100 drive-years. They add up,
across ladders and to the base rate of the drive's maker. What a sum of points comes to within a year is what became of
the drives seen with it on any reading day, whatever they did afterwards (Kaplan-Meier). More of anything never lowers
the chance. Points and chances are data, `profiles/risk/hdd-survival.toml`, rebuilt by `docs/evidence/calibrate.py`;
docs/evidence.md argues them.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from functools import cache
from typing import NamedTuple

import msgspec

from drivecare.documents import Strict, Value, decode_shipped
from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.model import Drive, Reading, Values
from drivecare.risk.model import Chance

MOST_CERTAIN = 0.999


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
    """A measured chance of failing within the horizon, fractions 0 to 1; four in five models lie in low to high.

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
    """The chance of one maker's drives without points. `models`: how the names of its models begin.

    The last row has neither maker nor models: it stands for every drive that no other row covers.
    """

    maker: str = ""
    models: tuple[str, ...] = ()


class AgeStep(Strict, frozen=True, kw_only=True):
    """From this age on, the hazard of a drive without points is multiplied. `judged`: too few were seen to measure."""

    from_years: int
    factor: float
    judged: bool
    failed: int


class Band(MeasuredChance, frozen=True, kw_only=True):
    """What points near these add: the chance of failing if nothing but they counted. In between it is interpolated."""

    points: float


class SurvivalTable(Strict, frozen=True, kw_only=True):
    """The calibrated table and where it comes from."""

    source: str
    first_day: str
    last_day: str
    horizon_days: int
    excluded_models: tuple[str, ...]
    laptop_models: tuple[str, ...]
    ladders: tuple[Ladder, ...] = msgspec.field(name="ladder")
    base_rates: tuple[BaseRate, ...] = msgspec.field(name="base_rate")
    ages: tuple[AgeStep, ...] = msgspec.field(name="age")
    bands: tuple[Band, ...] = msgspec.field(name="band")

    def __post_init__(self) -> None:
        if not self.source.strip():
            raise ValueError("the table needs its source")
        if not self.base_rates or self.base_rates[-1].maker or not all(row.models for row in self.base_rates[:-1]):
            raise ValueError("the table needs a base rate for each maker, and last one for every other drive")
        if not self.ages or self.ages[0] != msgspec.structs.replace(self.ages[0], from_years=0, factor=1.0):
            raise ValueError("the table needs an age step from 0 years on with factor 1")
        if not self.bands:
            raise ValueError("the table needs bands of points")
        for rows, columns in ((self.ages, ("from_years", "factor")), (self.bands, ("points", "chance", "low", "high"))):
            for column in columns:
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


class Estimate(NamedTuple):
    """The chance of a state, with its interval, and the chance when the excluded models are counted too."""

    chance: float
    low: float
    high: float
    with_excluded: float


def measured_chance(reading: Reading, table: SurvivalTable | None = None) -> Chance | None:
    """Look up the chance of failing within 12 months; None where nothing is known.

    Only hard drives that report at least one of the counters are covered; no SAS drives were measured.
    """
    table = table or load_table()
    state = score(reading.values, table)
    if reading.drive.kind != "hdd" or reading.drive.protocol == "scsi" or not state.parts:
        return None
    hours, row = reading.values.power_on_hours, find_base_rate(table, reading.drive)
    estimate = look_up(table, row, state.points, hours)
    return Chance(
        estimate=estimate.chance,
        low=estimate.low,
        high=estimate.high,
        clean=look_up(table, row, 0, hours).chance,
        basis=_basis(table, row, state.points, hours),
        unmeasured=list_unmeasured(table, reading.drive),
    )


def find_base_rate(table: SurvivalTable, drive: Drive) -> BaseRate:
    """The base rate of a drive's maker; that of any drive where its maker or its kind was not measured."""
    return table.base_rates[-1] if list_unmeasured(table, drive) else _find_maker(table, drive.model)


def list_unmeasured(table: SurvivalTable, drive: Drive) -> tuple[str, ...]:
    """What of this drive the data do not hold, or too little to measure."""
    model = drive.model or ""
    conditions = {
        "a drive whose model is not told": not model,
        "drives of this maker": bool(model) and _find_maker(table, model) is table.base_rates[-1],
        "drives under 3.5 inches": "3.5" not in (drive.form_factor or "3.5") or model.startswith(table.laptop_models),
        "shingled recording": drive.shingled,
    }
    return tuple(words for words, holds in conditions.items() if holds)


def _find_maker(table: SurvivalTable, model: str | None) -> BaseRate:
    """The row whose models begin like this one; the last row where none does."""
    rows = (row for row in table.base_rates if row.models and (model or "").startswith(row.models))
    return next(rows, table.base_rates[-1])


def age_step(table: SurvivalTable, power_on_hours: int | None) -> AgeStep:
    """The step that a drive of this age has reached; the first where its age is unknown."""
    years = (power_on_hours or 0) / HOURS_PER_YEAR
    return table.ages[bisect_right(table.ages, years, key=lambda row: float(row.from_years)) - 1]


def look_up(table: SurvivalTable, row: BaseRate, points: int, power_on_hours: int | None) -> Estimate:
    """Look up the chance of a state: the hazard of a drive with nothing to show, and what the points add to it.

    An age that raises the chance leaves the lower end where it was.
    """
    factor = age_step(table, power_on_hours).factor

    def figure(column: str) -> float:
        older = 1.0 if column == "low" else factor
        cumulative = older * hazard(getattr(row, column)) + added_hazard(table, points, column)
        return round(min(-math.expm1(-cumulative), MOST_CERTAIN), 4)

    return Estimate(*(figure(column) for column in Estimate._fields))


def hazard(chance: float) -> float:
    """The cumulative hazard that leads to this chance, -ln(1 - p): hazards of causes beside each other add up."""
    return -math.log1p(-chance)


def added_hazard(table: SurvivalTable, points: int, column: str = "chance") -> float:
    """The cumulative hazard that points add: between bands on straight lines of both logarithms.

    Below the first band in proportion to the points; beyond the last one that of the last.
    """
    xs = [band.points for band in table.bands]
    right = bisect_right(xs, points)
    upper = hazard(getattr(table.bands[min(right, len(xs) - 1)], column))
    if right in (0, len(xs)):
        return upper * min(points / xs[0], 1.0)
    lower = hazard(getattr(table.bands[right - 1], column))
    share = math.log(points / xs[right - 1]) / math.log(xs[right] / xs[right - 1])
    return math.exp((1 - share) * math.log(lower) + share * math.log(upper))


def _basis(table: SurvivalTable, row: BaseRate, points: int, hours: int | None) -> str:
    """One sentence on where the number comes from."""
    maker, step = f"{row.maker} drives" if row.maker else "drives of all makers", age_step(table, hours)
    counts: MeasuredChance = row
    state = "none of these signs"
    if points > 0:
        counts, state = min(table.bands, key=lambda band: abs(band.points - points)), "a state like this"
        maker = "drives"
    without = f", without {', '.join(table.excluded_models)}" if table.excluded_models else ""
    age = ""
    if step.judged:
        age = f"; judgement: {step.factor:g} times the base rate from {step.from_years} years on, which too few reached"
    return (
        f"measured: {counts.failed:,} {maker} failed within a year of showing {state} ({counts.readings:,} readings; "
        f"{table.source}, {table.first_day[:4]} to {table.last_day[:4]}{without}){age}"
    )
