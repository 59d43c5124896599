"""How good a table is on drives and days that it was not fitted on, against other ways to weigh the same counters."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from itertools import pairwise
from pathlib import Path
from unittest.mock import patch

import numpy as np
import polars as pl
from calibrate import EVERY_DAYS, Cohort, calibrate, fit_ladders, points_of
from fitting import Floats, Numbers, area, bootstrap, failing, fit_log_odds, roc
from spans import counters, day_number, day_text, last_states, outcomes, person_years, reading_day

from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.model import Drive
from drivecare.risk.drive_table import TableJudge
from drivecare.risk.evaluation import OutcomeCounter
from drivecare.risk.survival import Ladder, SurvivalTable, find_base_rate, load_table, look_up, measured_chance

ENOUGH_FAILED = 20  # failures that a band needs to be judged
MAKERS = {"Seagate": ("ST",), "HGST and Hitachi": ("HGST", "Hitachi"), "WDC": ("WDC",)}
COUNTED = (5, 187, 197, 198)  # the plain count of these above zero is the simplest score
RESAMPLES = 500
Scores = dict[str, Floats]


def estimates(table: SurvivalTable, states: pl.DataFrame) -> Floats:
    """(estimate, low, high) of each row, shape (n, 3)."""
    points = points_of(states, table.ladders).tolist()
    years = states["years"].cast(pl.Int64).to_list()
    rows = {model: find_base_rate(table, Drive(model=model)) for model in states["model"].unique()}
    by_state: dict[tuple[str, int, int], tuple[float, ...]] = {}
    figures = []
    for model, worth, age in zip(states["model"].to_list(), points, years, strict=True):
        key = (rows[model].maker, worth, age)
        if key not in by_state:
            by_state[key] = look_up(table, rows[model], worth, age * HOURS_PER_YEAR)[:3]
        figures.append(by_state[key])
    return np.array(figures)


def calibration(spans: pl.LazyFrame, table: SurvivalTable, day: int) -> pl.DataFrame:
    """Per range of estimates what was printed, with its interval, and the Kaplan-Meier chance of the drives of a day.

    Neighbouring ranges are put together until each row holds enough failures to be judged.
    """
    read = reading_day(spans, outcomes(spans), table, day, known_until=day + 10 * table.horizon_days)
    printed = estimates(table, read)
    days, fails = read["days"].to_numpy().astype(np.int64), read["fails"].to_numpy()
    starts = [0.0, 0.01, 0.02, 0.04, 0.08, 0.15, 0.25, 0.35, 0.5, 0.65, 0.8]
    place = np.searchsorted(starts, printed[:, 0], side="right")
    rows, pooled = [], np.zeros(len(read), dtype=bool)
    for number in range(1, len(starts) + 1):
        pooled |= place == number
        if not pooled.any() or (fails[pooled].sum() < ENOUGH_FAILED and number < len(starts)):
            continue
        estimate, low, high = printed[pooled].mean(axis=0)
        observed = failing(days[pooled], fails[pooled], np.ones(pooled.sum(), dtype=np.int64), table.horizon_days)
        rows.append((int(pooled.sum()), int(fails[pooled].sum()), estimate, low, high, observed))
        pooled[:] = False
    frame = pl.DataFrame(rows, ["drives", "failed", "estimate", "low", "high", "observed"], orient="row")
    return frame.with_columns(
        within=pl.when(pl.col("failed") >= ENOUGH_FAILED).then(pl.col("observed").is_between("low", "high"))
    )


def drives_last_seen(spans: pl.LazyFrame, table: SurvivalTable, *, since: int) -> pl.DataFrame:
    """One row per drive: its last state since a day, with its age, and whether it failed."""
    return last_states(spans, table, since=since, known_until=10**6).with_columns(
        years=pl.col("to_hours") / HOURS_PER_YEAR
    )


def count_of(states: pl.DataFrame) -> Floats:
    """How many of the counters are above zero."""
    columns = [(pl.col(f"smart_{number}").fill_null(0) > 0).cast(pl.Float64) for number in COUNTED]
    return states.select(pl.sum_horizontal(columns)).to_series().to_numpy()


def fit_odds(states: pl.DataFrame, ladders: tuple[Ladder, ...]) -> Callable[[pl.DataFrame], Floats]:
    """The other way: one logistic regression on the last states of failed and surviving drives."""
    steps = [(f"signal_{index}", rung) for index, ladder in enumerate(ladders) for rung in range(len(ladder.rungs))]
    names = [f"signal_{index}" for index in range(len(ladders))]

    def reached(rows: pl.DataFrame) -> Floats:
        return np.stack([rows[name].to_numpy() > rung for name, rung in steps], axis=1).astype(float)

    sums = states.group_by(names).agg(pl.len().cast(pl.Float64), pl.col("failed").sum().cast(pl.Float64)).sort(names)
    added = fit_log_odds(reached(sums), sums["len"].to_numpy(), sums["failed"].to_numpy())
    return lambda rows: reached(rows) @ added


def unseen(spans: pl.LazyFrame, table: SurvivalTable, day: int) -> Iterator[tuple[str, pl.DataFrame, Scores]]:
    """(words, last states, scores) of drives that no score was fitted on: of the year after a day, and by maker.

    "odds" and "added rates" are fitted alike, on the drives that remain; "estimate" puts the added rates on the base
    rate of the maker, which only the split by time can judge.
    """
    first, end = day_number(table.first_day), day_number(table.last_day)
    usual = spans.filter(~pl.col("model").is_in(table.excluded_models))
    later = drives_last_seen(spans, table, since=day)
    earlier = last_states(usual, table, since=first, known_until=end)
    scores = {"odds": fit_odds(earlier, table.ladders)(later), "count": count_of(later)}
    scores["added rates"] = points_of(later, table.ladders).astype(float)
    yield (
        f"known until {table.last_day}, last states since {day_text(day)}",
        later,
        scores | {"estimate": estimates(table, later)[:, 0]},
    )
    collected = drives_last_seen(spans, table, since=first)
    for maker, names in MAKERS.items():
        mine = pl.any_horizontal(pl.col("model").str.starts_with(name) for name in names)
        others = usual.filter(~mine)
        states = collected.filter(mine)
        odds = fit_odds(last_states(others, table, since=first, known_until=10**6), table.ladders)
        ladders = fit_ladders(person_years(others, table, since=first, known_until=10**6), table)
        rates = points_of(states, ladders).astype(float)
        yield f"{maker} left out", states, {"odds": odds(states), "count": count_of(states), "added rates": rates}


def caught(failed: Numbers, score: Floats, at: float = 0.01) -> float:
    """The share of failures caught at this share of false alarms, on the straight line between two scores."""
    return float(np.interp(at, *roc(failed, score)))


def print_unseen(spans: pl.LazyFrame, table: SurvivalTable, day: int) -> None:
    """Print AUC and catch of every score on drives it was not fitted on, and by how much the odds are behind."""
    for words, states, scores in unseen(spans, table, day):
        failed = states["failed"].to_numpy()
        print(f"{words}: {len(failed):,} drives, {failed.sum():,} failed")
        draws = bootstrap(failed, scores, resamples=RESAMPLES)
        for name, score in scores.items():
            (low, high), (least, most) = (np.quantile(draws[name][:, column], (0.1, 0.9)) for column in (0, 1))
            print(
                f"  {name:12} AUC {area(*roc(failed, score)):.3f} ({low:.3f} to {high:.3f}), "
                f"caught at 1 % {caught(failed, score):.1%} ({least:.1%} to {most:.1%})"
            )
        for name in [name for name in ("added rates", "estimate") if name in scores]:
            ahead = np.quantile(draws[name] - draws["odds"], (0.1, 0.5, 0.9), axis=0)
            print(
                f"  {name} ahead of odds: AUC {ahead[1, 0]:+.3f} ({ahead[0, 0]:+.3f} to {ahead[2, 0]:+.3f}), "
                f"caught {ahead[1, 1]:+.1%} ({ahead[0, 1]:+.1%} to {ahead[2, 1]:+.1%})"
            )


def print_verdicts(table: SurvivalTable, states: pl.DataFrame) -> None:
    """Print what the verdicts with this table do on the last states of drives it was not fitted on."""
    names = [f"smart_{number}" for number in (5, 187, 188, 196, 197, 198) if f"smart_{number}" in states.columns]
    judge = TableJudge(["model", "smart_9_raw", *(f"{name}_raw" for name in names)])
    counter = OutcomeCounter()
    with patch("drivecare.risk.assess.measured_chance", partial(measured_chance, table=table)):
        rows = states.select("model", pl.col("to_hours").cast(pl.Int64), *names, "failed").iter_rows()
        for *cells, failed in rows:
            judgement = judge.judge(["" if cell is None else str(cell) for cell in cells])
            counter.add(judgement, failed=bool(failed))
    evaluation = counter.result()
    print(f"Verdicts with this table on {evaluation.rows:,} drives last seen later, {evaluation.failed:,} failed:")
    for row in evaluation.verdicts:
        others = evaluation.rows - evaluation.failed
        print(
            f"  {row.verdict:8} {row.failed / evaluation.failed:6.1%} of the failed, "
            f"{(row.rows - row.failed) / others:6.2%} of the others"
        )


def print_left_out(spans: pl.LazyFrame, shipped: SurvivalTable) -> None:
    """Print per maker what a table fitted on the other makers says of its drives, as of any maker, and what came."""
    first, end = day_number(shipped.first_day), day_number(shipped.last_day)
    for maker, names in MAKERS.items():
        mine = pl.any_horizontal(pl.col("model").str.starts_with(name) for name in names)
        table, _ = calibrate(spans.filter(~mine), shipped, since=first, until=end)
        own = spans.filter(mine & ~pl.col("model").is_in(shipped.excluded_models))
        ends = outcomes(own)
        days = range(first + EVERY_DAYS, end, EVERY_DAYS)
        cohort = Cohort(
            (reading_day(own, ends, table, day, known_until=end) for day in days), table.ladders, table.horizon_days
        )
        points = cohort.counts["points"].unique().to_list()
        printed = {worth: look_up(table, table.base_rates[-1], worth, 0).chance for worth in points}
        for low, high in pairwise((0.0, 0.1, 0.25, 0.5, 0.75, 1.0)):
            among = pl.col("points").is_in([worth for worth in points if low <= printed[worth] < high])
            if cohort.failures.filter(among).is_empty() or cohort.failed(among) < ENOUGH_FAILED:
                continue
            rows = cohort.counts.filter(among)
            mean = np.average([printed[worth] for worth in rows["points"]], weights=rows["weight"].to_numpy())
            print(
                f"  {maker} left out: {cohort.readings(among):7,} readings, {cohort.failed(among):5,} drives failed, "
                f"printed {mean:.1%}, observed {cohort.chance(among):.1%}"
            )


def print_trees(spans: pl.LazyFrame, table: SurvivalTable) -> None:
    """Per maker left out of the fit: AUC of boosted trees on the raw counts, with gaps and with 0 in their place."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    states = drives_last_seen(spans, table, since=day_number(table.first_day))
    failed = states["failed"].to_numpy()
    raw = states.select(pl.col(counters(table)).cast(pl.Float64)).to_numpy()
    for maker, names in MAKERS.items():
        mine = states.select(pl.any_horizontal(pl.col("model").str.starts_with(name) for name in names)).to_series()
        out = mine.to_numpy()
        for words, counts in (("", raw), (" that see no gaps", np.nan_to_num(raw))):
            varied = [len(np.unique(column[np.isfinite(column)])) > 5 for column in counts[~out].T]
            used = counts[:, varied]  # a counter that nearly no other maker counts teaches nothing
            trees = HistGradientBoostingClassifier(random_state=0).fit(used[~out], failed[~out])
            score = trees.predict_proba(used[out])[:, 1]
            print(
                f"  {maker} left out, boosted trees{words}: AUC {area(*roc(failed[out], score)):.3f}, "
                f"caught at 1 % {caught(failed[out], score):.1%}"
            )


def judge(spans: pl.LazyFrame, table: SurvivalTable, day: int, *, plots: Path | None) -> None:
    """Print every measure, and draw the plots where a folder is given."""
    compared = calibration(spans, table, day)
    print(f"Known until {table.last_day}; judged on the {table.horizon_days} days after {day_text(day)}:")
    for row in compared.iter_rows(named=True):
        note = {True: "within", False: "OUTSIDE", None: "too few to judge"}[row["within"]]
        print(
            f"  {row['drives']:6,} drives {row['failed']:4,} failed  printed {row['estimate']:6.1%} "
            f"({row['low']:.1%} to {row['high']:.1%})  observed {row['observed']:6.1%}  {note}"
        )
    print_unseen(spans, table, day)
    print_trees(spans, table)
    print_left_out(spans, load_table())
    later = drives_last_seen(spans, table, since=day)
    print_verdicts(table, later)
    if plots:
        from plots import draw

        scores = {
            "this table": estimates(table, later)[:, 0],
            "points alone": points_of(later, table.ladders).astype(float),
        }
        scores |= {"count of 5, 187, 197, 198 above zero": count_of(later)}
        draw(table, compared, (later["failed"].to_numpy(), scores), day_text(day), plots)
