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
    table, models = calibrate.calibrate(spans, load_table(), since=0, until=10**6)
    assert models["failed"].sum() == table.base_rates[-1].failed
    assert decode_toml(SurvivalTable, calibrate.as_toml(table).encode(), origin="x") == table
    assert [row.maker for row in table.base_rates] == [""]
    assert table.base_rates[0].chance < table.bands[0].chance < table.bands[-1].chance
    assert [ladder.label for ladder in table.ladders] == [ladder.label for ladder in load_table().ladders]
    earlier, _ = calibrate.calibrate(spans, load_table(), since=0, until=(START - date(1970, 1, 1)).days + 150)
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


def test_points_recover_the_rates_they_were_made_with() -> None:
    """Drives made with known failures a year: 0.4 and 0.9 for two levels, 0.2 for another, none for one not reached."""
    from fitting import fit_added_rates

    chance = np.random.default_rng(11)
    level, other, maker = chance.integers(0, 3, 400), chance.integers(0, 2, 400), chance.integers(0, 2, 400)
    years = chance.uniform(50, 500, 400)
    rates = np.array([0.01, 0.05])[maker] + np.array([0, 0.4, 0.9])[level] + 0.2 * other
    failed = chance.poisson(rates * years).astype(float)
    reached = np.stack([level >= 1, level >= 2, other >= 1, other >= 2], axis=1).astype(float)
    added, base = fit_added_rates(reached, maker, years, failed)
    assert added == pytest.approx([0.4, 0.5, 0.2, 0], abs=0.03)
    assert base == pytest.approx([0.01, 0.05], abs=0.01)


def test_odds_are_those_of_scikit_learn() -> None:
    from fitting import fit_log_odds
    from sklearn.linear_model import LogisticRegression

    chance = np.random.default_rng(4)
    reached = chance.integers(0, 2, (3000, 3)).astype(float)
    failed = (chance.uniform(size=3000) < 1 / (1 + np.exp(2 - reached @ [1.5, 0.8, 0.4]))).astype(float)
    expected = LogisticRegression(C=1.0, tol=1e-8).fit(reached, failed).coef_[0]
    assert fit_log_odds(reached, np.ones(3000), failed) == pytest.approx(expected, abs=0.01)


def test_the_interval_grows_with_fewer_failures_and_more_spread_and_is_never_cut() -> None:
    from fitting import interval

    few, many, spread = (interval(0.2, *given, z=1.28) for given in ((5, 0.1), (500, 0.1), (500, 0.4)))
    assert few[0] < many[0] < 0.2 < many[1] < few[1]
    assert spread[0] < many[0]
    assert spread[1] > many[1]
    low, high = interval(0.02, 10**9, 2.0, z=1.28)
    assert high / low == pytest.approx(np.exp(2 * 1.28 * 2.0))


def test_the_spread_between_models_is_the_one_they_were_made_with() -> None:
    from fitting import spread_of_models

    chance = np.random.default_rng(2)
    expected = np.full(4000, 6.0)
    assert spread_of_models(chance.poisson(expected).astype(float), expected) < 0.1
    rates = expected * np.exp(chance.normal(0, 0.8, 4000))
    assert spread_of_models(chance.poisson(rates).astype(float), expected) == pytest.approx(0.8, abs=0.05)


def test_a_bootstrap_is_centred_on_the_measure_and_resamples_every_score_alike() -> None:
    from fitting import area, bootstrap, roc

    chance = np.random.default_rng(7)
    failed = (chance.uniform(size=3000) < 0.2).astype(np.int64)
    score = np.round(failed + chance.normal(0, 1, 3000), 1)
    draws = bootstrap(failed, {"one": score, "twice": 2 * score, "flat": np.zeros(3000)}, resamples=200)
    assert draws["one"][:, 0].mean() == pytest.approx(area(*roc(failed, score)), abs=0.005)
    assert draws["one"][:, 1].mean() == pytest.approx(np.interp(0.01, *roc(failed, score)), abs=0.03)
    assert draws["one"] == pytest.approx(draws["twice"])
    assert draws["flat"] == pytest.approx(np.array([[0.5, 0.01]] * 200))


def test_lost_timeouts_count_as_one_or_more_and_uncollected_ones_as_none() -> None:
    from spans import with_levels

    from drivecare.risk.survival import load_table

    columns = {f"smart_{number}": [0] * 4 for number in (5, 197, 198)}
    frame = pl.LazyFrame(columns | {"smart_187": [0, 0, None, 0], "smart_188": [0, None, None, 65536 * 3 + 2]})
    place = [ladder.smart for ladder in load_table().ladders].index((188,))
    assert with_levels(frame, load_table()).collect()[f"signal_{place}"].to_list() == [0, 1, 0, 1]


def test_the_interval_of_a_maker_holds_the_rate_of_a_model_it_was_not_fitted_on(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """`models.csv` is what calibrate.py counted; four in five is what the screen promises."""
    from calibrate import coverage

    table = coverage(pl.read_csv(SCRIPTS / "models.csv"))
    with capsys.disabled():
        print("\nfailures per 100 drive-years of clean drives, and the interval fitted without the model")
        for row in table.iter_rows(named=True):
            print(
                f"  {row['counts_for'] or 'any drive':9} {row['model']:24} {row['failed']:5} drives failed"
                f" {row['rate']:7.2f}  ({row['low']:.2f} to {row['high']:.2f})  {'' if row['within'] else 'OUTSIDE'}"
            )
    assert len(table) >= 20
    assert np.mean(table["within"].to_numpy()) >= 0.8
    of_makers = table.filter(pl.col("counts_for") != "")
    assert np.mean(of_makers["within"].to_numpy()) >= 0.8
    assert set(of_makers["counts_for"]) == {"HGST", "Hitachi", "Seagate", "WDC"}


def test_the_shipped_base_rates_are_those_of_the_counted_models() -> None:
    from drivecare.risk.survival import load_table

    models = pl.read_csv(SCRIPTS / "models.csv")
    for row in load_table().base_rates[:-1]:
        mine = models.filter((pl.col("counts_for") == row.maker) & ~pl.col("excluded"))
        assert (mine["readings"].sum(), mine["failed"].sum()) == (row.readings, row.failed)
        rate = float(np.sum(mine["failed_readings"].to_numpy()) / np.sum(mine["years"].to_numpy()))
        assert row.chance == pytest.approx(1 - np.exp(-rate), rel=0.05)


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
    from calibrate import JUDGED_AGE, age_steps

    steps = age_steps(invented_ages(failing_percent), pl.lit(True))
    assert [step.from_years for step in steps if not step.judged] == starts
    if len(starts) > 1:
        assert steps[1].factor == pytest.approx(3, abs=0.1)
    beyond = steps[-1]
    assert beyond.judged
    assert beyond.from_years == 1 + max(year for _, year in failing_percent)
    assert beyond.factor == pytest.approx(steps[-2].factor * JUDGED_AGE, abs=0.01)
    assert beyond.failed == 0


def test_shares_of_failed_drives_count_what_was_not_reported_as_zero() -> None:
    from failed_ssds import ERRORS, OTHERS, shares

    zero: dict[str, list[int | None]] = {name: [0, 0, 0, 0] for name in (*ERRORS, *OTHERS)}
    failed = pl.DataFrame(zero | {"r_5": [3, 0, 0, None], "r_187": [1, 1, 0, 0], "r_199": [0, 0, 9, 0]})
    counted = shares(failed)
    assert counted["any_error"] == 0.5
    assert (counted["r_5"], counted["r_187"], counted["r_199"], counted["r_erase"]) == (0.25, 0.5, 0.25, 0)


def test_the_shipped_ladders_are_what_the_scripts_read() -> None:
    from spans import counters

    from drivecare.risk.survival import load_table

    assert counters(load_table()) == ["smart_5", "smart_187", "smart_188", "smart_197", "smart_198"]
    assert msgspec.structs.asdict(load_table())["horizon_days"] == 365
