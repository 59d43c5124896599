"""How good a table is: against what happened later, against the plain count of signals, against boosted trees."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import polars as pl
from calibrate import fit_ladders, points_of
from fitting import Floats, Numbers, area, failing, roc
from spans import counters, day_number, day_text, last_states, outcomes, reading_day

from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.risk.survival import SurvivalTable, look_up

ENOUGH_FAILED = 20  # failures that a band needs to be judged
MAKERS = ("ST", "H", "WDC")  # the first letters of a model


def estimates(table: SurvivalTable, states: pl.DataFrame, years: str = "years") -> Floats:
    """(estimate, low, high) of each row, shape (n, 3)."""
    points = points_of(states, table.ladders)
    whole_years = states[years].cast(pl.Int64).to_numpy()
    by_state: dict[tuple[int, int], tuple[float, ...]] = {}
    rows = []
    for state in zip(points.tolist(), whole_years.tolist(), strict=True):
        if state not in by_state:
            by_state[state] = look_up(table, state[0], state[1] * HOURS_PER_YEAR)[:3]
        rows.append(by_state[state])
    return np.array(rows)


def bands(table: SurvivalTable, points: Numbers) -> Numbers:
    """The number of the band whose points are nearest; 0 for drives without points."""
    middles = np.array([band.points for band in table.bands])
    nearest = np.abs(points[:, None] - middles[None, :]).argmin(axis=1) + 1
    return np.where(points == 0, 0, nearest)


def calibration(spans: pl.LazyFrame, table: SurvivalTable, day: int) -> pl.DataFrame:
    """Per band the printed estimate and interval, and the observed Kaplan-Meier chance, for the drives seen on a day.

    Neighbouring bands are put together until each row holds enough failures to be judged.
    """
    read = reading_day(spans, outcomes(spans), table, day, known_until=day + 10 * table.horizon_days)
    printed, band = estimates(table, read), bands(table, points_of(read, table.ladders))
    days, fails = read["days"].to_numpy().astype(np.int64), read["fails"].to_numpy()
    rows, pooled = [], np.zeros(len(read), dtype=bool)
    for number in range(len(table.bands) + 1):
        pooled |= band == number
        if fails[pooled].sum() < ENOUGH_FAILED and number < len(table.bands):
            continue
        if pooled.any():
            estimate, low, high = printed[pooled].mean(axis=0)
            observed = failing(days[pooled], fails[pooled], np.ones(pooled.sum(), dtype=np.int64), table.horizon_days)
            rows.append((int(pooled.sum()), int(fails[pooled].sum()), estimate, low, high, observed))
        pooled[:] = False
    frame = pl.DataFrame(rows, ["drives", "failed", "estimate", "low", "high", "observed"], orient="row")
    return frame.with_columns(
        within=pl.when(pl.col("failed") >= ENOUGH_FAILED).then(pl.col("observed").is_between("low", "high"))
    )


def last_state_curves(spans: pl.LazyFrame, table: SurvivalTable) -> tuple[Numbers, dict[str, Floats], pl.DataFrame]:
    """Failed or not, and a score per drive by name, on the last states of all drives."""
    states = last_states(spans, table, since=0, known_until=10**6).with_columns(
        years=pl.col("to_hours") / HOURS_PER_YEAR
    )
    four = [f"smart_{number}" for number in (5, 187, 197, 198)]
    count = states.select(pl.sum_horizontal((pl.col(name).fill_null(0) > 0).cast(pl.Float64) for name in four))
    scores = {
        "this table": estimates(table, states)[:, 0],
        "without the age": points_of(states, table.ladders).astype(float),
        "count of non-zero 5, 187, 197, 198": count.to_series().to_numpy(),
    }
    return states["failed"].to_numpy(), scores, states


def caught(failed: Numbers, score: Floats, at: float) -> float:
    """The share of failures caught at this share of false alarms, on the straight line between two scores."""
    return float(np.interp(at, *roc(failed, score)))


def against_trees(table: SurvivalTable, states: pl.DataFrame) -> list[tuple[str, float, float, float]]:
    """Per maker left out of the fit: area under the curve of refitted points, of trees, of trees that see no gaps.

    The second kind of trees is given 0 where a counter was not collected: in these data a gap tells the year, and
    drives last seen in the first year have mostly failed.
    """
    from sklearn.ensemble import HistGradientBoostingClassifier

    failed = states["failed"].to_numpy()
    raw = states.select(pl.col(counters(table)).cast(pl.Float64)).to_numpy()
    rows = []
    for maker in MAKERS:
        mine = states["model"].str.starts_with(maker).to_numpy()
        points = points_of(states, fit_ladders(states.filter(~mine), table.ladders)).astype(float)
        areas = [area(*roc(failed[mine], points[mine]))]
        for counts in (raw, np.nan_to_num(raw)):
            varied = [len(np.unique(column[np.isfinite(column)])) > 5 for column in counts[~mine].T]
            used = counts[:, varied]  # a counter that nearly no other maker counts teaches nothing
            trees = HistGradientBoostingClassifier(random_state=0).fit(used[~mine], failed[~mine])
            areas.append(area(*roc(failed[mine], trees.predict_proba(used[mine])[:, 1])))
        rows.append((maker, areas[0], areas[1], areas[2]))
    return rows


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
    widest = max(high / low for _, low, high, _ in _printed(table))
    print(f"Widest interval: a factor of {widest:.2f} between its ends.")
    failed, scores, states = last_state_curves(spans, table)
    print(f"Last states of {len(failed):,} drives, {failed.sum():,} failed:")
    usual = (~states["model"].is_in(table.excluded_models)).to_numpy()
    for name, score in scores.items():
        for words, some in (("", slice(None)), (f", without {', '.join(table.excluded_models)}", usual)):
            print(
                f"  {name}{words}: AUC {area(*roc(failed[some], score[some])):.4f}, caught at 1 % false alarms "
                f"{caught(failed[some], score[some], 0.01):.1%}, at 5 % {caught(failed[some], score[some], 0.05):.1%}"
            )
    if importlib.util.find_spec("sklearn"):
        collected = last_states(spans, table, since=day_number(table.first_day), known_until=10**6)
        for words, drives in ((f"last states since {table.first_day}", collected), ("all last states", states)):
            for maker, points, trees, blind in against_trees(table, drives):
                print(
                    f"  {words}, {maker}* left out: points {points:.4f}, trees {trees:.4f}, "
                    f"trees that see no gaps {blind:.4f}"
                )
    if plots:
        from plots import draw

        draw(table, compared, (failed, scores), day_text(day), plots)


def _printed(table: SurvivalTable) -> list[tuple[float, float, float, float]]:
    """Every interval that can be printed: all points, young and old."""
    most = sum(ladder.rungs[-1].points for ladder in table.ladders)
    return [look_up(table, points, years * HOURS_PER_YEAR) for points in range(most + 1) for years in range(10)]
