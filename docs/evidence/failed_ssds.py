"""What failed solid-state drives had shown, from the open table of the study that docs/evidence.md names.

    python docs/evidence/failed_ssds.py FILE

FILE is that table as parquet or CSV: one row per failure, raw counters in columns r_5, r_184, ... Needs polars.
"""

from __future__ import annotations

import sys
from pathlib import Path

import polars as pl

ERRORS = ("r_5", "r_184", "r_187", "r_197", "r_program", "r_erase")
OTHERS = ("r_183", "r_195", "r_199")
POPULATION, YEARS = 1_000_000, 2  # "nearly one million" drives, 2018 and 2019


def shares(failed: pl.DataFrame) -> dict[str, float]:
    """The share of failures that showed more than zero, by counter, and any of the errors."""
    shown = {name: pl.col(name).fill_null(0) > 0 for name in (*ERRORS, *OTHERS)}
    together = pl.any_horizontal(shown[name] for name in ERRORS)
    return failed.select(any_error=together.mean(), **{name: shows.mean() for name, shows in shown.items()}).row(
        0, named=True
    )


def main(path: Path) -> None:
    """Print every share, and the rate of failures."""
    failed = pl.read_parquet(path) if path.suffix == ".parquet" else pl.read_csv(path)
    for name, share in shares(failed).items():
        print(f"{name:10} {share:6.1%}")
    print(f"{len(failed):,} failures, {100 * len(failed) / POPULATION / YEARS:.2f} per 100 drive-years")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
