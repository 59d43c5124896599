"""What the open data say, in the two shapes that the calibration needs, however large the data are.

A span is one drive holding the same counts from one day to another, in the columns

    drive, model, from_hours, to_hours, from_day, to_day, last_day, failed, smart_5, smart_187, smart_188, ...

with days since 1970-01-01. Daily drive-stats files are turned into spans one day after the other; in memory stands one
open span per drive. Counts of a reading day are summed up by state before the next day is looked at.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.statistics_row import SPINNING, WEARING
from drivecare.risk.survival import SurvivalTable

EPOCH = date(1970, 1, 1)
SHARD_SPANS = 500_000  # closed spans kept in memory before they go to a file


def day_number(text: str) -> int:
    """ISO date to days since 1970-01-01."""
    return (date.fromisoformat(text) - EPOCH).days


def day_text(number: int) -> str:
    """Days since 1970-01-01 to ISO date."""
    return (EPOCH + timedelta(days=number)).isoformat()


def maker_of(table: SurvivalTable) -> pl.Expr:
    """The maker of a model by the table's names; empty where it names none."""
    maker = pl.lit("")
    for row in table.base_rates[:-1]:
        begins = pl.any_horizontal(pl.col("model").str.starts_with(name) for name in row.models)
        maker = pl.when(begins).then(pl.lit(row.maker)).otherwise(maker)
    return maker


def counters(table: SurvivalTable) -> list[str]:
    """The columns of the counters on the table's ladders: smart_5, smart_187, ..."""
    return [f"smart_{number}" for ladder in table.ladders for number in ladder.smart]


def open_spans(path: Path, shards: Path, table: SurvivalTable) -> pl.LazyFrame:
    """Spans from a parquet file of them, or from a folder of daily CSV files by way of parquet files in `shards`."""
    if path.is_dir():
        days = sorted(path.rglob("*.csv"), key=lambda file: re.sub(r".*(\d{4}-\d{2}-\d{2}).*", r"\1", file.name))
        if not days:
            raise SystemExit(f"{path}: there are no .csv files in it. Give the folder of the unpacked daily files.")
        shards.mkdir(parents=True, exist_ok=True)
        for number, closed in enumerate(_shards(_closed_spans(days, counters(table)))):
            closed.write_parquet(shards / f"spans-{number:05}.parquet")
        spans = pl.scan_parquet(shards / "spans-*.parquet")
        last = spans.group_by("drive").agg(pl.col("to_day").max().alias("last_day")).collect(engine="streaming")
        return spans.join(last.lazy(), on="drive")
    return pl.scan_parquet(path).with_columns(pl.col("model").cast(pl.String))


def _shards(parts: Iterable[pl.DataFrame]) -> Iterator[pl.DataFrame]:
    """The same rows in fewer, larger frames."""
    frames: list[pl.DataFrame] = []
    for part in parts:
        frames.append(part)
        if sum(len(frame) for frame in frames) >= SHARD_SPANS:
            yield pl.concat(frames)
            frames = []
    if frames:
        yield pl.concat(frames)


def _closed_spans(days: Iterable[Path], columns: list[str]) -> Iterator[pl.DataFrame]:
    """Spans as they end: the counts changed, the drive failed, or the data do."""
    running: pl.DataFrame | None = None
    for path in days:
        today = _one_day(path, columns)
        if running is None:
            running = today
            continue
        both = running.join(today, on="drive", how="left", suffix="_now")
        same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(f"{name}_now")) for name in columns)
        seen = pl.col("to_day_now").is_not_null()
        continuing = both.filter(seen & same & (pl.col("failed") == 0)).select(
            "drive",
            "model",
            "from_hours",
            pl.col("to_hours_now").alias("to_hours"),
            "from_day",
            pl.col("to_day_now").alias("to_day"),
            pl.col("failed_now").alias("failed"),
            *columns,
        )
        ended = both.filter(seen & (~same | (pl.col("failed") != 0)))
        missing = both.filter(~seen).select(running.columns)  # back another day, or gone: its span stays open
        yield ended.select(running.columns)
        fresh = today.join(pl.concat([continuing, missing]), on="drive", how="anti")
        running = pl.concat([continuing, missing, fresh])
    if running is not None:
        yield running


def _one_day(path: Path, columns: list[str]) -> pl.DataFrame:
    """One daily file as spans of one day. Solid-state drives wear out in their own way and are left out: by name, or
    because they count wear and nothing that spins, as `assess-table` recognises them."""
    day = pl.scan_csv(path, infer_schema=False)
    there = set(day.collect_schema().names())

    def number(name: str) -> pl.Expr:
        raw = pl.col(f"{name}_raw") if f"{name}_raw" in there else pl.lit(None, pl.String)
        return raw.cast(pl.Float64).cast(pl.Int64).alias(name)

    spins, wears = (
        pl.any_horizontal(pl.lit(False), *(pl.col(name).is_not_null() for name in names if name in there))
        for names in (SPINNING, WEARING)
    )
    return (
        day.filter(~pl.col("model").str.contains("(?i)ssd") & (spins | ~wears))
        .select(
            pl.col("serial_number").alias("drive"),
            "model",
            number("smart_9").alias("from_hours"),
            number("smart_9").alias("to_hours"),
            pl.col("date").str.to_date().cast(pl.Int32).alias("from_day"),
            pl.col("date").str.to_date().cast(pl.Int32).alias("to_day"),
            pl.col("failure").cast(pl.Int8).alias("failed"),
            *(number(name) for name in columns),
        )
        .unique("drive", keep="last", maintain_order=True)
        .collect()
    )


def with_levels(spans: pl.LazyFrame, table: SurvivalTable) -> pl.LazyFrame:
    """The level each signal has reached, 0 for none, as columns signal_0, signal_1, ..."""
    columns = []
    for index, ladder in enumerate(table.ladders):
        counts = [_count(number) for number in ladder.smart]
        highest = pl.max_horizontal(count.fill_null(0) for count in counts)
        columns.append(_level(highest, [rung.start for rung in ladder.rungs]).alias(f"signal_{index}"))
    return spans.with_columns(columns)


def _count(number: int) -> pl.Expr:
    """A raw count as the reader of reports takes it: timeouts the lowest 16 bits, other counts the lowest 32.

    Timeouts that are missing where the drive does report 187 were lost on the way to us because the words for slow
    commands made them too large: at least one command timed out.
    """
    raw = pl.col(f"smart_{number}").cast(pl.Int64)
    if number != 188:
        return raw % (1 << 32)
    lost = raw.is_null() & pl.col("smart_187").is_not_null()
    return pl.when(lost).then(1).otherwise(raw % (1 << 16))


def _level(count: pl.Expr, starts: list[int]) -> pl.Expr:
    return pl.sum_horizontal((count >= start).cast(pl.Int8) for start in starts)


def last_states(spans: pl.LazyFrame, table: SurvivalTable, *, since: int, known_until: int) -> pl.DataFrame:
    """One row per drive: its levels when it was last seen between two days, and whether it had failed by then."""
    return (
        with_levels(spans.filter((pl.col("from_day") <= known_until) & (pl.col("to_day") >= since)), table)
        .sort("from_day", "from_hours")
        .group_by("drive")
        .last()
        .with_columns(failed=((pl.col("failed") == 1) & (pl.col("last_day") <= known_until)).cast(pl.Int64))
        .sort("drive")
        .collect(engine="streaming")
    )


def person_years(spans: pl.LazyFrame, table: SurvivalTable, *, since: int, known_until: int) -> pl.DataFrame:
    """How many drive-years each model spent in each state between two days, and how many drives failed in it."""
    start = pl.max_horizontal("from_day", pl.lit(since))
    days = (pl.min_horizontal("to_day", pl.lit(known_until)) - start).clip(lower_bound=0.5)
    return (
        with_levels(spans.filter((pl.col("from_day") <= known_until) & (pl.col("to_day") >= since)), table)
        .with_columns(years=days / 365.25, fails=(pl.col("failed") == 1) & (pl.col("last_day") <= known_until))
        .group_by("model", *(f"signal_{index}" for index in range(len(table.ladders))))
        .agg(pl.col("years").sum(), pl.col("fails").sum().cast(pl.Float64))
        .sort(pl.all())
        .collect(engine="streaming")
    )


def outcomes(spans: pl.LazyFrame) -> pl.DataFrame:
    """One row per drive: whether it ever failed."""
    return spans.group_by("drive").agg(pl.col("failed").max().alias("fails")).collect(engine="streaming")


def reading_day(
    spans: pl.LazyFrame, ends: pl.DataFrame, table: SurvivalTable, day: int, *, known_until: int
) -> pl.DataFrame:
    """Every drive seen on a day and after it: its levels, years powered on, how long it was followed, how that ended.

    `days` is at most the horizon; `fails` is 1 where it failed by then and that was known. `ends` from `outcomes`.
    """
    end = pl.min_horizontal(pl.col("last_day"), pl.lit(known_until))
    return (
        with_levels(spans.filter((pl.col("from_day") <= day) & (pl.col("to_day") >= day)), table)
        .sort("from_day", "from_hours")
        .group_by("drive")
        .last()
        .filter(end > day)
        .join(ends.lazy(), on="drive")
        .with_columns(
            years=((pl.col("from_hours") + 24 * (day - pl.col("from_day"))) / HOURS_PER_YEAR).clip(0, 50),
            days=pl.min_horizontal(end - day, pl.lit(table.horizon_days)),
            fails=(
                (pl.col("fails") == 1)
                & (pl.col("last_day") <= known_until)
                & (pl.col("last_day") - day <= table.horizon_days)
            ).cast(pl.Int64),
        )
        .collect(engine="streaming")
    )
