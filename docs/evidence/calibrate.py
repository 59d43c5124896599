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
from typing import Any

import msgspec
import numpy as np
import polars as pl
from fitting import (
    Floats,
    Numbers,
    failing,
    fit_added_rates,
    interval,
    probability,
    rising,
    spread_of_models,
    stratified_ratio,
)
from spans import day_number, day_text, maker_of, open_spans, outcomes, person_years, reading_day

from drivecare.risk.survival import AgeStep, Band, BaseRate, Ladder, MeasuredChance, SurvivalTable, hazard, load_table

EVERY_DAYS = 30  # between reading days
BAND_FAILED = 60  # different failed drives that a band of points needs
LEAST_SLOPE = 0.05  # of both logarithms, so that a worse state never ties with a better one
Z = 1.28  # 80 %: four in five models
STRATUM_FAILED = 10  # failures from which on a model has a base rate of its own while points are fitted
AGE_STEP = 1.4  # factor in hazard by which drives from some year on must differ, all together and within models
LEAST_ADDED = 0.002  # cumulative hazard that any points add
MOST_CERTAIN = 0.999
JUDGED_AGE = 1.7  # judgement: the factor for ages that too few drives reached


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

    def expected_hazard(self, selection: pl.Expr, rates: tuple[BaseRate, ...]) -> float:
        """The cumulative hazard that these readings would have without points, by their makers."""
        readings = self.counts.filter(selection)
        total = 0.0
        for row in rates[:-1]:
            mine = readings.filter(pl.any_horizontal(pl.col("model").str.starts_with(name) for name in row.models))
            total += int(mine["weight"].sum()) * (hazard(row.chance) - hazard(rates[-1].chance))
        return hazard(rates[-1].chance) + total / int(readings["weight"].sum())

    def by_model(self, selection: pl.Expr) -> pl.DataFrame:
        """Per model: readings, the years they were followed, how many of them ended in a failure, of how many drives.

        `expected`: how many drives it would be if all models failed alike.
        """
        days, fails = pl.col("days") * pl.col("weight"), pl.col("fails") * pl.col("weight")
        rows = self.counts.filter(selection).group_by("model")
        sums = rows.agg(readings=pl.col("weight").sum(), years=days.sum() / 365.25, failed_readings=fails.sum())
        failed = self.failures.filter(selection).group_by("model").agg(failed=pl.col("drive").n_unique())
        share = pl.col("years") / pl.col("years").sum()
        return (
            sums.join(failed, on="model", how="left")
            .with_columns(pl.col("failed").fill_null(0).cast(pl.Int64))
            .with_columns(expected=share * pl.col("failed").sum())
            .sort("model")
        )


def points_of(states: pl.DataFrame, ladders: tuple[Ladder, ...]) -> Numbers:
    """Points of each row by its rungs."""
    total = np.zeros(len(states), dtype=np.int64)
    for index, ladder in enumerate(ladders):
        worth = np.array([0, *(rung.points for rung in ladder.rungs)])
        total += worth[states[f"signal_{index}"].to_numpy()]
    return total


def fit_ladders(states: pl.DataFrame, shipped: SurvivalTable) -> tuple[Ladder, ...]:
    """The same ladders with points fitted: failures that each rung adds per 100 drive-years.

    `states` from `person_years`. A model with enough failures is compared with itself, the others within their maker.
    """
    ladders = shipped.ladders
    own = pl.col("fails").sum().over("model") >= STRATUM_FAILED
    strata = states.select(pl.when(own).then("model").otherwise(maker_of(shipped)).rank("dense") - 1).to_series()
    steps = [(f"signal_{index}", rung) for index, ladder in enumerate(ladders) for rung in range(len(ladder.rungs))]
    reached = np.stack([states[name].to_numpy() > rung for name, rung in steps], axis=1).astype(float)
    rates, _ = fit_added_rates(
        reached, strata.to_numpy().astype(np.int64), states["years"].to_numpy(), states["fails"].to_numpy()
    )
    added, fitted = iter(rates), []
    for ladder in ladders:
        worth = 100 * np.cumsum([next(added) for _ in ladder.rungs])
        points, rungs = 0, []
        for rung, rate in zip(ladder.rungs, worth, strict=True):
            points = max(points + 1, round(float(rate)))
            rungs.append(msgspec.structs.replace(rung, points=points))
        fitted.append(msgspec.structs.replace(ladder, rungs=tuple(rungs)))
    return tuple(fitted)


def measure(
    cohort: Cohort, shipped: SurvivalTable
) -> tuple[tuple[BaseRate, ...], tuple[AgeStep, ...], tuple[Band, ...]]:
    """The base rates by maker, the steps of age, and what points add."""
    included = ~pl.col("model").is_in(shipped.excluded_models)
    laptop = pl.any_horizontal(
        pl.lit(False), *(pl.col("model").str.starts_with(name) for name in shipped.laptop_models)
    )
    usual = included & ~laptop
    rates = base_rates(cohort, usual, included, shipped)
    return rates, age_steps(cohort, usual), bands(cohort, usual, ~laptop, rates)


def base_rates(cohort: Cohort, usual: pl.Expr, included: pl.Expr, shipped: SurvivalTable) -> tuple[BaseRate, ...]:
    """The chance of drives without points, by maker and last of any drive, each with the interval of its models."""
    clean, rows, models = pl.col("points") == 0, [], []
    for row in shipped.base_rates[:-1]:
        mine = clean & pl.any_horizontal(pl.col("model").str.starts_with(name) for name in row.models)
        if cohort.failed(mine & usual) > 0:
            rows.append((row, mine))
            models.append(cohort.by_model(mine & usual))
    within = spread(models)
    measured_rows = [
        BaseRate(maker=row.maker, models=row.models, **measured(cohort, mine & usual, mine, within))
        for row, mine in rows
    ]
    any_drive = BaseRate(**measured(cohort, clean & included, clean, within))
    widest = {
        "low": min(row.low for row in (*measured_rows, any_drive)),
        "high": max(row.high for row in (*measured_rows, any_drive)),
    }
    return (*measured_rows, msgspec.structs.replace(any_drive, **widest))


def spread(groups: list[pl.DataFrame]) -> float:
    """How much models differ within groups, from `Cohort.by_model`."""
    if not groups:
        return 0.0
    models = pl.concat(groups)
    return spread_of_models(models["failed"].to_numpy().astype(float), models["expected"].to_numpy())


def measured(cohort: Cohort, selection: pl.Expr, everything: pl.Expr, between: float) -> dict[str, Any]:
    """The fields of a measured chance: of a selection, and of everything, excluded models counted too."""
    level, failed = hazard(cohort.chance(selection)), cohort.failed(selection)
    low, high = interval(level, failed, between, z=Z)
    return figures(level, low, high, hazard(cohort.chance(everything)), cohort.readings(selection), failed)


def figures(level: float, low: float, high: float, everything: float, readings: int, failed: int) -> dict[str, Any]:
    """The fields of a measured chance from hazards."""
    return {
        "chance": round(min(probability(level), MOST_CERTAIN), 5),
        "low": round(min(probability(low), MOST_CERTAIN), 5),
        "high": round(min(probability(high), MOST_CERTAIN), 5),
        "with_excluded": round(min(probability(everything), MOST_CERTAIN), 5),
        "readings": readings,
        "failed": failed,
    }


def bands(cohort: Cohort, usual: pl.Expr, everything: pl.Expr, rates: tuple[BaseRate, ...]) -> tuple[Band, ...]:
    """What points add to the hazard of the makers whose drives have them, rising from band to band."""
    selections = [pl.col("points").is_between(first, last) for first, last in band_groups(cohort, usual)]
    between = spread([cohort.by_model(usual & selection) for selection in selections])
    middles = np.array([mean_points(cohort, usual & selection) for selection in selections])
    failed = np.array([cohort.failed(usual & selection) for selection in selections])

    def added(population: pl.Expr) -> Floats:
        hazards = [hazard(cohort.chance(population & selection)) for selection in selections]
        expected = [cohort.expected_hazard(population & selection, rates) for selection in selections]
        over = np.maximum(np.array(hazards) - np.array(expected), LEAST_ADDED)
        return np.exp(rising(np.log(over), failed.astype(float), xs=np.log(middles), slope=LEAST_SLOPE))

    levels, all_levels = added(usual), added(everything)
    ends = [interval(float(level), int(count), between, z=Z) for level, count in zip(levels, failed, strict=True)]
    lows, highs = np.maximum.accumulate(np.array(ends)).T
    rows = []
    for index, selection in enumerate(selections):
        level, low, high, everyone = (float(column[index]) for column in (levels, lows, highs, all_levels))
        fields = figures(level, low, high, everyone, cohort.readings(usual & selection), int(failed[index]))
        rows.append(Band(points=round(float(middles[index]), 1), **fields))
    return tuple(rows)


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


def age_steps(cohort: Cohort, usual: pl.Expr) -> tuple[AgeStep, ...]:
    """By how much the base rate rises with age.

    A year begins a new step where drives from then on fail clearly more often, all together and within models: the
    drives that are oldest in some data are of a few models, good or bad. Ages that too few drives reached are judged.
    """
    clean, year = usual & (pl.col("points") == 0), pl.col("year")
    steps = [AgeStep(from_years=0, factor=1.0, judged=False, failed=cohort.failed(clean))]
    years = cohort.counts.filter(clean)["year"].unique().sort().to_list()
    for first in years[1:]:
        since = clean & (year >= steps[-1].from_years)
        younger, older = since & (year < first), since & (year >= first)
        if min(cohort.failed(younger), cohort.failed(older)) < BAND_FAILED:
            continue
        ratio = min(cohort.age_ratio(since, first), hazard(cohort.chance(older)) / hazard(cohort.chance(younger)))
        if ratio >= AGE_STEP:
            factor = round(steps[-1].factor * ratio, 2)
            steps.append(AgeStep(from_years=first, factor=factor, judged=False, failed=cohort.failed(older)))
    oldest = next((first for first in years if cohort.failed(clean & (year >= first)) < BAND_FAILED), years[-1] + 1)
    judged = AgeStep(
        from_years=max(oldest, steps[-1].from_years + 1),
        factor=round(steps[-1].factor * JUDGED_AGE, 2),
        judged=True,
        failed=cohort.failed(clean & (year >= oldest)),
    )
    return (*steps, judged)


def clean_models(cohort: Cohort, shipped: SurvivalTable) -> pl.DataFrame:
    """Per model what became of its drives without points; `counts_for` tells whose interval has to hold its rate.

    That is its maker's; of 2.5-inch models, and of makers that the table does not name, that of any drive (empty).
    """
    laptop = pl.any_horizontal(
        pl.lit(False), *(pl.col("model").str.starts_with(name) for name in shipped.laptop_models)
    )
    return cohort.by_model(pl.col("points") == 0).select(
        "model",
        counts_for=pl.when(laptop).then(pl.lit("")).otherwise(maker_of(shipped)),
        excluded=pl.col("model").is_in(shipped.excluded_models),
        readings="readings",
        years=pl.col("years").round(2),
        failed_readings="failed_readings",
        failed="failed",
    )


def coverage(models: pl.DataFrame) -> pl.DataFrame:
    """Per model with enough failures its rate, and the interval of its maker fitted on the other models.

    `models` from `clean_models`; rates are failures per 100 drive-years of drives without points.
    """
    rows = []
    for model in models.filter(pl.col("failed") >= STRATUM_FAILED).iter_rows(named=True):
        intervals = intervals_by_maker(models.filter(pl.col("model") != model["model"]))
        low, high = intervals[model["counts_for"]]
        rate = model["failed_readings"] / model["years"]
        rows.append((model["counts_for"], model["model"], model["failed"], 100 * rate, 100 * low, 100 * high))
    frame = pl.DataFrame(rows, ["counts_for", "model", "failed", "rate", "low", "high"], orient="row")
    return frame.with_columns(within=pl.col("rate").is_between("low", "high")).sort("counts_for", "model")


def intervals_by_maker(models: pl.DataFrame) -> dict[str, tuple[float, float]]:
    """(low, high) rates of each maker's models, and under "" from the lowest to the highest of them."""
    usual = models.filter((pl.col("counts_for") != "") & ~pl.col("excluded"))
    groups = {str(maker): group for (maker,), group in usual.group_by("counts_for", maintain_order=True)}
    share = pl.col("years") / pl.col("years").sum()
    between = spread([group.with_columns(expected=share * pl.col("failed").sum()) for group in groups.values()])
    intervals = {}
    for maker, group in groups.items():
        failed_readings, years, failed = (float(group[name].sum()) for name in ("failed_readings", "years", "failed"))
        intervals[maker] = interval(failed_readings / years, int(failed), between, z=Z)
    lows, highs = zip(*intervals.values(), strict=True)
    return intervals | {"": (min(lows), max(highs))}


def calibrate(
    spans: pl.LazyFrame, shipped: SurvivalTable, *, since: int, until: int
) -> tuple[SurvivalTable, pl.DataFrame]:
    """A table from what was collected from one day on and known on another (days since 1970), and its clean models."""
    ends = outcomes(spans)
    first, last = spans.select(pl.col("from_day").min(), pl.col("last_day").max().alias("last")).collect().row(0)
    first, end = max(since, first), min(until, last)
    states = person_years(spans, shipped, since=first, known_until=end)
    ladders = fit_ladders(states.filter(~pl.col("model").is_in(shipped.excluded_models)), shipped)
    days = (
        reading_day(spans, ends, shipped, day, known_until=end) for day in range(first + EVERY_DAYS, end, EVERY_DAYS)
    )
    cohort = Cohort(days, ladders, shipped.horizon_days)
    rates, ages, added = measure(cohort, shipped)
    table = msgspec.structs.replace(
        shipped,
        first_day=day_text(first),
        last_day=day_text(end),
        ladders=ladders,
        base_rates=rates,
        ages=ages,
        bands=added,
    )
    return table, clean_models(cohort, shipped)


def as_toml(table: SurvivalTable) -> str:
    """The table as the TOML that is shipped."""
    head = [
        "# The chance that a hard drive fails within 12 months, by the state its reading shows.",
        "# Written by docs/evidence/calibrate.py; docs/evidence.md says how and with which limits.",
        "# Ladders: points from each raw count on, failures that it adds per 100 drive-years; the counters of one",
        "# ladder count one thing, the highest counts. Base rates: drives without points, by maker, last any drive.",
        "# Ages: factor of the base rate's hazard. Bands: the chance that points near these add. Four in five models",
        "# lie between low and high.",
    ]
    plain = ("source", "first_day", "last_day", "horizon_days", "excluded_models", "laptop_models")
    lines = [*head, "", *(f"{name} = {_toml(getattr(table, name))}" for name in plain)]
    for ladder in table.ladders:
        lines += ["", "[[ladder]]"]
        lines += [f"{name} = {_toml(getattr(ladder, name))}" for name in ("label", "values", "smart")]
        rungs = ", ".join(f"{{ from = {rung.start}, points = {rung.points} }}" for rung in ladder.rungs)
        lines.append(f"rungs = [{rungs}]")
    measured_names = MeasuredChance.__struct_fields__
    tables = (
        ("base_rate", table.base_rates, ("maker", "models", *measured_names)),
        ("age", table.ages, AgeStep.__struct_fields__),
        ("band", table.bands, ("points", *measured_names)),
    )
    for title, rows, names in tables:
        for row in rows:
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
    parser.add_argument(
        "--models", type=Path, metavar="FILE", help="write what became of each model's clean drives here"
    )
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory(prefix="spans-") as shards:
        spans = open_spans(options.data, Path(shards), load_table())
        table, models = calibrate(spans, load_table(), since=day_number(options.since), until=day_number(options.until))
        text = as_toml(table)
        if options.output:
            options.output.write_text(text, encoding="utf-8")
        else:
            print(text)
        if options.models:
            models.write_csv(options.models)
        if options.judge:
            from judging import judge

            judge(spans, table, day_number(options.judge), plots=options.plots)


if __name__ == "__main__":
    main(sys.argv[1:])
