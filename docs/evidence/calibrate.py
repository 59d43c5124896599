"""Rebuild the survival table, judge it on later days, draw the plots.

    python docs/evidence/calibrate.py DATA [--since DAY] [--until DAY] [--judge DAY] [--plots FOLDER] [--output FILE]

DATA is a parquet file of spans or a folder of daily drive-stats CSV files; docs/evidence.md says where to get them.
Needs polars: pip install "drivecare[evidence]". The ladders of signals, the models to leave out and the horizon come
from the shipped profiles/risk/hdd-survival.toml; points and chances are measured anew.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path

import msgspec
import numpy as np
import polars as pl
from fitting import (
    Floats,
    Numbers,
    failing,
    fit_points,
    hazard,
    interval,
    probability,
    rising,
    spread_between,
    stratified_ratio,
)
from spans import day_number, day_text, last_states, open_spans, outcomes, reading_day

from drivecare.risk.survival import Band, BaseRate, Ladder, MeasuredChance, SurvivalTable, load_table

EVERY_DAYS = 30  # between reading days
BAND_FAILED = 60  # different failed drives that a band of points needs
LEAST_SLOPE = 0.01  # of the logarithm of the hazard per point, so that a worse state never ties with a better one
Z = 1.28  # 80 %: four in five models
WIDEST = 2.95  # high over low
AGE_STEP = 1.4  # factor in hazard by which drives from some year on must differ, all together and within models


class Cohort:
    """Drives read on many days, summed up by state: what became of each state within the horizon.

    `counts`: one row per (points, model, year, days, fails) with `weight`, how many; `failures`: one row per drive
    and state that failed.
    """

    def __init__(self, days: Iterable[pl.DataFrame], ladders: tuple[Ladder, ...], horizon: int) -> None:
        key = ["points", "model", "year", "days", "fails"]
        sums, failures = [], []
        for day in days:
            scored = day.with_columns(points=points_of(day, ladders), year=pl.col("years").cast(pl.Int64))
            sums.append(scored.group_by(key).agg(pl.len().cast(pl.Int64).alias("weight")))
            failures.append(scored.filter(pl.col("fails") == 1).select("drive", "points", "model", "year"))
        self.counts = pl.concat(sums).group_by(key).agg(pl.col("weight").sum()).sort(key)
        self.failures = pl.concat(failures).unique().sort("drive", "points", "year")
        self.horizon = horizon

    def chance(self, selection: pl.Expr) -> float:
        """Kaplan-Meier chance of failing within the horizon."""
        rows = self.counts.filter(selection)
        days, failed, weight = (rows[name].to_numpy() for name in ("days", "fails", "weight"))
        return failing(days, failed, weight, self.horizon)

    def readings(self, selection: pl.Expr) -> int:
        """Drives, counted on each day they were read."""
        return int(self.counts.filter(selection)["weight"].sum())

    def failed(self, selection: pl.Expr) -> int:
        """Different drives that failed within the horizon of a reading."""
        return self.failures.filter(selection)["drive"].n_unique()

    def age_ratio(self, selection: pl.Expr, year: int) -> float:
        """How much more often drives of this age and older fail than younger drives of the same model."""
        followed = pl.col("days") * pl.col("weight")
        fails = pl.col("fails") * pl.col("weight")
        older = pl.col("year") >= year
        names = ("failed_before", "failed_after", "days_before", "days_after")
        sums = [(what * ages).sum() for what in (fails, followed) for ages in (~older, older)]
        rows = self.counts.filter(selection).group_by("model").agg(s.alias(n) for s, n in zip(sums, names, strict=True))
        counted = rows.select(names).to_numpy().astype(float)
        return stratified_ratio(counted[:, :2], counted[:, 2:])

    def by_model(self, selection: pl.Expr, expected_failed: int) -> tuple[Floats, Floats]:
        """(failed drives, expected failed drives) of each model, where the band's hazard holds for all alike."""
        rows = self.counts.filter(selection).group_by("model").agg((pl.col("days") * pl.col("weight")).sum())
        failed = self.failures.filter(selection).group_by("model").agg(pl.col("drive").n_unique())
        both = rows.join(failed, on="model", how="left").fill_null(0)
        observed, followed = both["drive"].to_numpy().astype(float), both["days"].to_numpy().astype(float)
        return observed, followed / followed.sum() * min(expected_failed, observed.sum())


def points_of(states: pl.DataFrame, ladders: tuple[Ladder, ...]) -> Numbers:
    """Points of each row by its rungs."""
    total = np.zeros(len(states), dtype=np.int64)
    for index, ladder in enumerate(ladders):
        worth = np.array([0, *(rung.points for rung in ladder.rungs)])
        total += worth[states[f"signal_{index}"].to_numpy()]
    return total


def fit_ladders(states: pl.DataFrame, ladders: tuple[Ladder, ...]) -> tuple[Ladder, ...]:
    """The same ladders with points fitted to the last states of failed and surviving drives."""
    names = [f"signal_{index}" for index in range(len(ladders))]
    sums = states.group_by(names).agg(pl.len().cast(pl.Int64), pl.col("failed").sum()).sort(names)
    steps = [(name, rung) for name, ladder in zip(names, ladders, strict=True) for rung in range(len(ladder.rungs))]
    reached = np.stack([sums[name].to_numpy() > rung for name, rung in steps], axis=1).astype(float)
    added = iter(fit_points(reached, sums["len"].to_numpy(), sums["failed"].to_numpy()))
    fitted = []
    for ladder in ladders:
        worth = np.cumsum([next(added) for _ in ladder.rungs])
        rungs = tuple(
            msgspec.structs.replace(rung, points=int(points)) for rung, points in zip(ladder.rungs, worth, strict=True)
        )
        fitted.append(msgspec.structs.replace(ladder, rungs=rungs))
    return tuple(fitted)


def measure(cohort: Cohort, shipped: SurvivalTable) -> tuple[tuple[BaseRate, ...], tuple[Band, ...]]:
    """The base rates by age and the chances by points."""
    usual = ~pl.col("model").is_in(shipped.excluded_models)
    groups = band_groups(cohort, usual)
    selections = [pl.col("points").is_between(first, last) for first, last in groups]
    bands_spread = spread(cohort, [usual & selection for selection in selections])
    middles = np.array([mean_points(cohort, usual & selection) for selection in selections])
    rows = [measured(cohort, selection, usual, bands_spread) for selection in selections]
    bands = tuple(
        Band(points=round(float(middle), 1), **msgspec.structs.asdict(row))
        for middle, row in zip(middles, make_rising(rows, xs=middles, slope=LEAST_SLOPE), strict=True)
    )
    return base_rates(cohort, usual), bands


def band_groups(cohort: Cohort, usual: pl.Expr) -> list[tuple[int, int]]:
    """(first, last) points of bands with enough failed drives each; a last one with too few joins its neighbour."""
    groups: list[tuple[int, int]] = []
    start = None
    for points in cohort.counts.filter(usual & (pl.col("points") > 0))["points"].unique().sort().to_list():
        start = points if start is None else start
        if cohort.failed(usual & pl.col("points").is_between(start, points)) >= BAND_FAILED:
            groups.append((start, points))
            start = None
    if start is not None:
        first = groups.pop()[0] if groups else start
        groups.append((first, points))
    return groups


def mean_points(cohort: Cohort, selection: pl.Expr) -> float:
    """Points of the failed drives of a band, on average: where the band's chance is measured."""
    return float(cohort.failures.filter(selection)["points"].mean())  # type: ignore[arg-type]


def spread(cohort: Cohort, selections: list[pl.Expr]) -> float:
    """How much models differ within bands."""
    pairs = [cohort.by_model(selection, cohort.failed(selection)) for selection in selections]
    return spread_between(np.concatenate([pair[0] for pair in pairs]), np.concatenate([pair[1] for pair in pairs]))


def measured(cohort: Cohort, selection: pl.Expr, usual: pl.Expr, between: float) -> MeasuredChance:
    """Chance, interval and counts of the drives in one state."""
    chance, failed = cohort.chance(usual & selection), cohort.failed(usual & selection)
    low, high = interval(chance, failed, between, z=Z, widest=WIDEST)
    return MeasuredChance(
        chance=chance,
        low=low,
        high=high,
        with_excluded=cohort.chance(selection),
        readings=cohort.readings(usual & selection),
        failed=failed,
    )


def make_rising(rows: list[MeasuredChance], *, xs: Floats | None = None, slope: float = 0.0) -> list[MeasuredChance]:
    """The rows with chance and both ends rising; where raw rates dip, neighbours are pooled."""
    weights = np.array([row.failed for row in rows], dtype=float)
    columns = {}
    for column in ("chance", "low", "high", "with_excluded"):
        logs = np.log([hazard(getattr(row, column)) for row in rows])
        pooled = rising(logs, weights, xs=xs, slope=slope)
        columns[column] = [round(min(probability(float(np.exp(value))), 0.999), 4) for value in pooled]
    return [
        msgspec.structs.replace(row, **{column: figures[index] for column, figures in columns.items()})
        for index, row in enumerate(rows)
    ]


def base_rates(cohort: Cohort, usual: pl.Expr) -> tuple[BaseRate, ...]:
    """The base rate by age in years.

    A year begins a new row where drives from then on fail clearly more often, all together and within models: the
    drives that are oldest in some data are of a few models, good or bad. Ages that too few drives reached are judged.
    """
    clean = pl.col("points") == 0
    between = spread(cohort, [usual & clean])
    starts, years = [0], cohort.counts.filter(usual & clean)["year"].unique().sort().to_list()
    for year in years[1:]:
        since, until = pl.col("year") >= starts[-1], pl.col("year") < year
        before, after = (measured(cohort, clean & since & age, usual, between) for age in (until, ~until))
        enough = min(before.failed, after.failed) >= BAND_FAILED
        clearly = hazard(after.chance) >= AGE_STEP * hazard(before.chance)
        if enough and clearly and cohort.age_ratio(usual & clean & since, year) >= AGE_STEP:
            starts.append(year)
    ends = [*(start - 1 for start in starts[1:]), 999]
    rows = [
        measured(cohort, clean & pl.col("year").is_between(*pair), usual, between)
        for pair in zip(starts, ends, strict=True)
    ]
    measured_rows = [
        BaseRate(from_years=start, **msgspec.structs.asdict(row))
        for start, row in zip(starts, make_rising(rows), strict=True)
    ]
    return (*measured_rows, beyond(cohort, usual & clean, measured_rows[-1], years))


def beyond(cohort: Cohort, selection: pl.Expr, oldest: BaseRate, years: list[int]) -> BaseRate:
    """The base rate of drives older than those it was measured on: judged to be the upper end for the oldest of them.

    It begins with the first year from which on fewer drives failed than a band needs.
    """
    first = next(
        (year for year in years if cohort.failed(selection & (pl.col("year") >= year)) < BAND_FAILED), years[-1] + 1
    )
    old = selection & (pl.col("year") >= first)
    return BaseRate(
        from_years=max(first, oldest.from_years + 1),
        judged=True,
        chance=oldest.high,
        low=oldest.chance,
        high=round(min(oldest.chance * WIDEST, 0.999), 4),
        with_excluded=max(oldest.high, oldest.with_excluded),
        readings=cohort.readings(old),
        failed=cohort.failed(old),
    )


def calibrate(spans: pl.LazyFrame, shipped: SurvivalTable, *, since: int, until: int) -> SurvivalTable:
    """A table from what was collected from one day on and known on another (days since 1970)."""
    ends = outcomes(spans)
    first, last = spans.select(pl.col("from_day").min(), pl.col("last_day").max().alias("last")).collect().row(0)
    first, end = max(since, first), min(until, last)
    states = last_states(spans, shipped, since=first, known_until=end)
    usual = ~pl.col("model").is_in(shipped.excluded_models)
    ladders = fit_ladders(states.filter(usual), shipped.ladders)
    days = (
        reading_day(spans, ends, shipped, day, known_until=end) for day in range(first + EVERY_DAYS, end, EVERY_DAYS)
    )
    rates, bands = measure(Cohort(days, ladders, shipped.horizon_days), shipped)
    return msgspec.structs.replace(
        shipped, first_day=day_text(first), last_day=day_text(end), ladders=ladders, base_rates=rates, bands=bands
    )


def as_toml(table: SurvivalTable) -> str:
    """The table as the TOML that is shipped."""
    head = [
        "# The chance that a hard drive fails within 12 months, by the state its reading shows.",
        "# Written by docs/evidence/calibrate.py; docs/evidence.md says how and with which limits.",
        "# Ladders: points from each raw count on; the counters of one ladder count one thing, the highest counts.",
        "# Bands: what became of drives with points near these. Base rates: drives without points, from this age on.",
    ]
    plain = ("source", "first_day", "last_day", "horizon_days", "excluded_models")
    lines = [*head, "", *(f"{name} = {_toml(getattr(table, name))}" for name in plain)]
    for ladder in table.ladders:
        lines += ["", "[[ladder]]"]
        lines += [f"{name} = {_toml(getattr(ladder, name))}" for name in ("label", "values", "smart")]
        rungs = ", ".join(f"{{ from = {rung.start}, points = {rung.points} }}" for rung in ladder.rungs)
        lines.append(f"rungs = [{rungs}]")
    for title, rows in (("base_rate", table.base_rates), ("band", table.bands)):
        for row in rows:
            own = ("from_years", "judged") if title == "base_rate" else ("points",)
            names = [*own, *MeasuredChance.__struct_fields__]
            lines += ["", f"[[{title}]]", *(f"{name} = {_toml(getattr(row, name))}" for name in names)]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    return msgspec.json.encode(value).decode()


def main(arguments: list[str]) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("data", type=Path, help="parquet file of spans, or folder of daily CSV files")
    parser.add_argument("--since", metavar="DAY", default="1970-01-01", help="use only readings from this day on")
    parser.add_argument("--until", metavar="DAY", default="2999-12-31", help="use only what was known on this day")
    parser.add_argument("--judge", metavar="DAY", help="compare with the 12 months after this day")
    parser.add_argument(
        "--plots", type=Path, metavar="FOLDER", help="with --judge: draw calibration.svg, roc.svg, chance.svg"
    )
    parser.add_argument("--output", type=Path, metavar="FILE", help="write the table here")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="spans-") as shards:
        spans = open_spans(options.data, Path(shards), load_table())
        table = calibrate(spans, load_table(), since=day_number(options.since), until=day_number(options.until))
        text = as_toml(table)
        if options.output:
            options.output.write_text(text, encoding="utf-8")
        else:
            print(text)
        if options.judge:
            from judging import judge

            judge(spans, table, day_number(options.judge), plots=options.plots)


if __name__ == "__main__":
    main(sys.argv[1:])
