"""The calibration, held to a small invented sample that is worked out again here by other means."""

from __future__ import annotations

import csv
import random
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest

pl = pytest.importorskip("polars", reason="the calibration needs drivecare[evidence]")

SCRIPTS = Path(__file__).parents[2] / "docs" / "evidence"
START = date(2030, 1, 1)
DAYS = 240
DRIVES = 120


@pytest.fixture(scope="module", autouse=True)
def scripts() -> Any:
    """The scripts lie beside the page they belong to, outside the package."""
    sys.path.insert(0, str(SCRIPTS))
    yield
    sys.path.remove(str(SCRIPTS))


def invented() -> list[dict[str, int | str]]:
    """Drive-days of invented drives: a quarter has trouble that grows, and most of those fail."""
    chance = random.Random(3)
    rows: list[dict[str, int | str]] = []
    for drive in range(DRIVES):
        sick, lives = drive % 4 == 0, DAYS
        if sick and drive % 16:
            lives = chance.randrange(40, DAYS)
        elif drive % 10 == 1:
            lives = chance.randrange(60, DAYS)
        fails = lives < DAYS and (sick or drive % 20 == 1)  # the rest is retired in good health
        counts = [0, 0, 0, 0, 0]
        for day in range(lives):
            if sick and day > 20 and day % 20 == drive % 20:
                counts[drive // 4 % 5] += 1 + day // 30
            numbers = dict(zip(("5", "187", "188", "197", "198"), counts, strict=True))
            rows.append(
                {
                    "date": (START + timedelta(day)).isoformat(),
                    "serial_number": f"KX{drive:05}",
                    "model": f"KESTREL {drive % 3}",
                    "capacity_bytes": 10**12,
                    "failure": int(fails and day == lives - 1),
                    "smart_9_raw": 1000 + 24 * day,
                    **{f"smart_{number}_raw": count for number, count in numbers.items()},
                }
            )
    return rows


@pytest.fixture(scope="module")
def daily(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample as daily files."""
    folder = tmp_path_factory.mktemp("daily")
    by_day: dict[str, list[dict[str, int | str]]] = {}
    for row in invented():
        by_day.setdefault(str(row["date"]), []).append(row)
    for day, rows in by_day.items():
        with (folder / f"{day}.csv").open("w", newline="") as stream:
            writer = csv.DictWriter(stream, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    return folder


@pytest.fixture(scope="module")
def spans(daily: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:
    from spans import open_spans

    from drivecare.risk.survival import load_table

    return open_spans(daily, tmp_path_factory.mktemp("shards"), load_table())


def test_spans_say_the_same_as_the_days(spans: Any) -> None:
    frame = spans.collect()
    counters_on = {}
    for span in frame.iter_rows(named=True):
        for day in range(span["from_day"], span["to_day"] + 1):
            counters_on[span["drive"], day] = tuple(span[f"smart_{number}"] for number in (5, 187, 188, 197, 198))
    for row in invented():
        day = (date.fromisoformat(str(row["date"])) - date(1970, 1, 1)).days
        assert counters_on[row["serial_number"], day] == tuple(row[f"smart_{n}_raw"] for n in (5, 187, 188, 197, 198))
    assert frame["failed"].sum() == sum(int(row["failure"]) for row in invented())


def test_solid_state_drives_are_left_out_also_where_their_name_says_nothing(tmp_path: Path) -> None:
    from spans import open_spans

    from drivecare.risk.survival import load_table

    columns = "date,serial_number,model,capacity_bytes,failure,smart_3_raw,smart_5_raw,smart_9_raw,smart_177_raw"
    rows = [
        "D1,KESTREL KD4000,1,0,410,0,10,",
        "D2,KESTREL KD4000,1,0,,0,10,",
        "D3,KESTREL SSD 2,1,0,,0,10,",
        "D4,KESTREL KW2,1,0,,0,10,3",
    ]
    for day in ("2030-01-01", "2030-01-02"):
        (tmp_path / f"{day}.csv").write_text("\n".join([columns, *(f"{day},{row}" for row in rows)]) + "\n")
    spans = open_spans(tmp_path, tmp_path / "shards", load_table()).collect()
    assert spans["drive"].sort().to_list() == ["D1", "D2"]


def by_hand(days: list[int], failed: list[int]) -> float:
    """Kaplan-Meier, one day after the other."""
    surviving = 1.0
    for day in sorted({day for day, fails in zip(days, failed, strict=True) if fails}):
        at_risk = sum(other >= day for other in days)
        surviving *= 1 - sum(fails for other, fails in zip(days, failed, strict=True) if other == day) / at_risk
    return 1 - surviving


def test_the_chance_of_a_reading_day_is_kaplan_meier_from_that_day(spans: Any) -> None:
    from calibrate import Cohort
    from spans import outcomes, reading_day

    from drivecare.risk.survival import load_table

    table = load_table()
    day = (START - date(1970, 1, 1)).days + 100
    read = reading_day(spans, outcomes(spans), table, day, known_until=day + 10_000)
    cohort = Cohort([read], table.ladders, table.horizon_days)
    last: dict[str, tuple[int, int]] = {}
    clean: dict[str, bool] = {}
    for row in invented():
        name, since = str(row["serial_number"]), (date.fromisoformat(str(row["date"])) - START).days
        last[name] = (since, int(row["failure"]))
        if since == 100:
            clean[name] = not any(row[f"smart_{number}_raw"] for number in (5, 187, 188, 197, 198))
    for is_wanted in (True, False):
        followed = [last[name] for name, is_clean in clean.items() if is_clean is is_wanted and last[name][0] > 100]
        expected = by_hand([end - 100 for end, _ in followed], [fails for _, fails in followed])
        selection = pl.col("points") == 0 if is_wanted else pl.col("points") > 0
        assert cohort.chance(selection) == pytest.approx(np.clip(expected, 0.0005, 0.995))
        assert cohort.readings(selection) == len(followed)
        assert cohort.failed(selection) == sum(fails for _, fails in followed)


def test_the_whole_calibration_gives_a_table_that_can_be_shipped(spans: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    import calibrate

    from drivecare.documents import decode_toml
    from drivecare.risk.survival import SurvivalTable, load_table

    monkeypatch.setattr(calibrate, "BAND_FAILED", 5)
    table = calibrate.calibrate(spans, load_table(), since=0, until=10**6)
    assert decode_toml(SurvivalTable, calibrate.as_toml(table).encode(), origin="x") == table
    assert table.base_rates[0].chance < table.bands[0].chance < table.bands[-1].chance
    assert [ladder.label for ladder in table.ladders] == [ladder.label for ladder in load_table().ladders]
    earlier = calibrate.calibrate(spans, load_table(), since=0, until=(START - date(1970, 1, 1)).days + 150)
    assert earlier.bands[-1].failed < table.bands[-1].failed + sum(band.failed for band in table.bands[:-1])


def test_the_later_failure_is_not_known_earlier(spans: Any) -> None:
    from spans import outcomes, reading_day

    from drivecare.risk.survival import load_table

    day = (START - date(1970, 1, 1)).days + 60
    read = reading_day(spans, outcomes(spans), load_table(), day, known_until=day + 30)
    assert read["days"].max() == 30
    expected = sum(
        int(row["failure"]) and 60 < (date.fromisoformat(str(row["date"])) - START).days <= 90 for row in invented()
    )
    assert read["fails"].sum() == expected


def test_pooling_agrees_with_scikit_learn() -> None:
    from fitting import rising
    from sklearn.isotonic import IsotonicRegression

    chance = np.random.default_rng(5)
    values, weights = chance.normal(size=40) + np.arange(40) / 15, chance.uniform(1, 9, 40)
    expected = IsotonicRegression().fit_transform(np.arange(40), values, sample_weight=weights)
    assert rising(values, weights) == pytest.approx(expected)
    sloped = rising(values, weights, xs=np.arange(40.0), slope=0.02)
    assert np.diff(sloped).min() >= 0.02 - 1e-9


def test_points_recover_the_odds_they_were_made_with() -> None:
    """Drives made with known log odds per level: 1.5, and 2.5 for reaching the second as well."""
    from fitting import fit_points

    chance = np.random.default_rng(11)
    level = chance.integers(0, 3, 60_000)
    other = chance.integers(0, 2, 60_000)
    odds = -3 + np.array([0, 1.5, 2.5])[level] + 0.8 * other
    failed = (chance.uniform(size=60_000) < 1 / (1 + np.exp(-odds))).astype(np.int64)
    reached = np.stack([level >= 1, level >= 2, other >= 1], axis=1).astype(float)
    states, place = np.unique(reached, axis=0, return_inverse=True)
    place = place.ravel()
    points = fit_points(states, np.bincount(place), np.bincount(place, failed).astype(np.int64))
    assert points == pytest.approx([15, 10, 8], abs=1)


def test_the_interval_grows_with_fewer_failures_and_more_spread_and_stays_under_its_limit() -> None:
    from fitting import interval

    few, many = interval(0.2, 5, 0.1, z=1.28, widest=10), interval(0.2, 500, 0.1, z=1.28, widest=10)
    spread = interval(0.2, 500, 0.4, z=1.28, widest=10)
    assert few[0] < many[0] < 0.2 < many[1] < few[1]
    assert spread[0] < many[0]
    assert spread[1] > many[1]
    low, high = interval(0.02, 5, 2.0, z=1.28, widest=3)
    assert high / low <= 3


def test_spread_is_nothing_where_models_differ_by_chance_alone() -> None:
    from fitting import spread_between

    chance = np.random.default_rng(2)
    expected = np.full(4000, 6.0)
    assert spread_between(chance.poisson(expected).astype(float), expected) < 0.1
    factors = np.exp(chance.normal(0, 0.4, 4000) - 0.08)
    assert spread_between(chance.poisson(expected * factors).astype(float), expected) == pytest.approx(0.42, abs=0.05)


def test_a_ratio_within_strata_is_not_misled_by_how_the_strata_are_mixed() -> None:
    """Worked by hand: in both strata the second group fails twice as often, put together it fails less often."""
    from fitting import stratified_ratio

    failed = np.array([[80.0, 20.0], [1.0, 18.0]])
    days = np.array([[8000.0, 1000.0], [1000.0, 9000.0]])
    assert failed[:, 1].sum() / days[:, 1].sum() < failed[:, 0].sum() / days[:, 0].sum()
    by_hand = (20 * 8 / 9 + 18 * 1 / 10) / (80 * 1 / 9 + 1 * 9 / 10)
    assert stratified_ratio(failed, days) == pytest.approx(by_hand) == pytest.approx(2, abs=0.01)
    assert stratified_ratio(np.array([[5.0, 0.0]]), np.array([[100.0, 0.0]])) == 0


def invented_ages(failing_percent: dict[tuple[str, int], int]) -> Any:
    """A cohort of drives without points: 10,000 of each model and year, of which so many percent fail on day 200."""
    from calibrate import Cohort

    counts, failures = [], []
    for (model, year), percent in failing_percent.items():
        failed = 100 * percent
        common = {"points": 0, "model": model, "year": year}
        counts += [common | {"days": 200, "fails": 1, "weight": failed}]
        counts += [common | {"days": 365, "fails": 0, "weight": 10_000 - failed}]
        failures += [common | {"drive": f"{model} {year} {number}"} for number in range(failed)]
    cohort = Cohort.__new__(Cohort)
    cohort.counts, cohort.failures, cohort.horizon = pl.DataFrame(counts), pl.DataFrame(failures), 365
    return cohort


@pytest.mark.parametrize(
    ("failing_percent", "starts"),
    [
        ({("good", 0): 2, ("good", 1): 2, ("bad", 2): 6, ("bad", 3): 6}, [0]),
        ({("good", 0): 2, ("good", 1): 6, ("other", 0): 1, ("other", 1): 3}, [0, 1]),
    ],
    ids=["the old ones are another model", "the same models fail more often later"],
)
def test_age_counts_only_where_it_holds_within_models(failing_percent: Any, starts: list[int]) -> None:
    from calibrate import base_rates

    rows = base_rates(invented_ages(failing_percent), pl.lit(True))
    assert [row.from_years for row in rows if not row.judged] == starts
    beyond = rows[-1]
    assert beyond.judged
    assert beyond.from_years == 1 + max(year for _, year in failing_percent)
    assert (beyond.low, beyond.chance) == (rows[-2].chance, rows[-2].high)
    assert beyond.failed == 0


def test_the_shipped_ladders_are_what_the_scripts_read() -> None:
    from spans import counters

    from drivecare.risk.survival import load_table

    assert counters(load_table()) == ["smart_5", "smart_187", "smart_188", "smart_197", "smart_198"]
    assert msgspec.structs.asdict(load_table())["horizon_days"] == 365
