"""The survival table: more of anything never lowers the chance, and what was not said is not zero."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.documents import decode_toml
from drivecare.errors import BadInput
from drivecare.reading.counters import HOURS_PER_YEAR
from drivecare.reading.model import Drive, Reading, Values
from drivecare.risk.survival import (
    Ladder,
    Rung,
    SurvivalTable,
    base_rate,
    load_table,
    look_up,
    measured_chance,
    score,
)

TABLE = load_table()
FIELDS = [name for ladder in TABLE.ladders for name in ladder.values]
MOST = sum(ladder.rungs[-1].points for ladder in TABLE.ladders)


def hdd(**values: Any) -> Reading:
    return Reading(drive=Drive(kind="hdd", protocol="ata"), values=Values(**values))


counts = st.one_of(st.none(), st.integers(0, 3), st.integers(0, 70_000))


@given(st.fixed_dictionaries(dict.fromkeys(FIELDS, counts)), st.sampled_from(FIELDS), st.integers(1, 5000))
def test_more_of_any_signal_never_lowers_any_figure(values: dict[str, int | None], more: str, added: int) -> None:
    before = measured_chance(hdd(**{**values, more: values[more] or 0}))
    after = measured_chance(hdd(**{**values, more: (values[more] or 0) + added}))
    assert before
    assert after
    for column in ("estimate", "low", "high"):
        assert getattr(after, column) >= getattr(before, column)


def test_older_never_lowers_the_base_rate() -> None:
    rates = [base_rate(TABLE, years * HOURS_PER_YEAR).chance for years in range(12)]
    assert rates == sorted(rates)
    assert len(set(rates)) > 1
    assert base_rate(TABLE, None) == TABLE.base_rates[0]


def test_no_interval_is_wider_than_a_factor_of_three() -> None:
    for points in range(MOST + 1):
        for years in range(10):
            estimate, low, high, _ = look_up(TABLE, points, years * HOURS_PER_YEAR)
            assert 0 < low <= estimate <= high < 1
            assert high <= 3 * low


def test_states_with_different_points_do_not_tie_below_the_last_band() -> None:
    last = int(TABLE.bands[-1].points)
    first = max(
        ladder.rungs[0].points for ladder in TABLE.ladders if ladder.rungs[0].points < TABLE.bands[0].points + 1
    )
    estimates = [look_up(TABLE, points, 0)[0] for points in range(first, last)]
    assert all(low < high for low, high in pairwise(estimates))


def test_at_a_band_the_estimate_is_the_measured_chance() -> None:
    for band in TABLE.bands:
        if band.points == int(band.points):
            assert look_up(TABLE, int(band.points), 0)[0] == pytest.approx(band.chance, abs=1e-4)


def test_between_bands_the_logarithm_of_the_hazard_is_interpolated() -> None:
    lower, upper = TABLE.bands[3], TABLE.bands[4]
    points = math.ceil(lower.points + 0.01)
    assert lower.points < points < upper.points or pytest.skip("no whole number lies between these bands")
    share = (points - lower.points) / (upper.points - lower.points)
    log_hazards = [math.log(-math.log(1 - band.chance)) for band in (lower, upper)]
    expected = 1 - math.exp(-math.exp(log_hazards[0] + share * (log_hazards[1] - log_hazards[0])))
    assert look_up(TABLE, points, 0)[0] == pytest.approx(expected, abs=1e-4)


def test_two_counters_of_one_thing_count_once() -> None:
    pending, both = score(Values(pending=8, offline_uncorrectable=0)), score(Values(pending=8, offline_uncorrectable=8))
    assert pending.points == both.points > 0
    assert score(Values(pending=0, offline_uncorrectable=8)).parts[0].field == "offline_uncorrectable"


def test_what_was_not_said_is_named() -> None:
    state = score(Values(reallocated=0, pending=0))
    assert state.points == 0
    assert set(state.missing) == {"reported_uncorrectable", "command_timeouts", "offline_uncorrectable"}


@pytest.mark.parametrize(
    "reading",
    [
        hdd(),
        hdd(power_on_hours=12),
        Reading(drive=Drive(kind="ssd", protocol="ata"), values=Values(reallocated=0)),
        Reading(drive=Drive(kind="unknown"), values=Values(reallocated=0)),
    ],
    ids=["nothing said", "age alone", "solid state", "kind unknown"],
)
def test_no_chance_without_data_that_bear_on_the_drive(reading: Reading) -> None:
    assert measured_chance(reading) is None


def test_the_basis_names_source_counts_and_the_model_left_out() -> None:
    figures = measured_chance(hdd(reallocated=0, pending=24, power_on_hours=21_904))
    assert figures
    assert figures.basis.startswith("measured: ")
    assert "Backblaze" in figures.basis
    assert "ST3000DM001" in figures.basis
    assert figures.clean == TABLE.base_rates[0].chance


def test_an_age_that_too_few_drives_reached_is_said_to_be_judged() -> None:
    measured, judged = TABLE.base_rates[-2:]
    old = measured_chance(hdd(reallocated=0, power_on_hours=judged.from_years * HOURS_PER_YEAR))
    assert old
    assert old.basis.startswith("judgement: ")
    assert (old.estimate, old.low, old.clean) == (measured.high, measured.chance, judged.chance)
    assert judged.failed < 60


def test_rungs_have_to_rise() -> None:
    for rungs in (
        (Rung(start=2, points=5), Rung(start=1, points=6)),
        (Rung(start=1, points=5), Rung(start=2, points=5)),
    ):
        with pytest.raises(ValueError, match="must begin at 1 or more and rise"):
            Ladder(label="x", values=("pending",), smart=(197,), rungs=rungs)


def test_a_table_that_falls_or_has_no_source_is_refused() -> None:
    import tomllib
    from importlib.resources import files

    text = (files("drivecare.profiles") / "risk" / "hdd-survival.toml").read_text()
    assert decode_toml(SurvivalTable, text.encode(), origin="x") == TABLE
    with pytest.raises(BadInput, match="needs its source"):
        decode_toml(SurvivalTable, text.replace(f'source = "{TABLE.source}"', 'source = " "').encode(), origin="x")
    last = tomllib.loads(text)["band"][-1]
    with pytest.raises(BadInput, match="chance must not fall"):
        decode_toml(
            SurvivalTable,
            text.replace(f"chance = {last['chance']}\n", f"chance = {last['low']}\n").encode(),
            origin="x",
        )


def test_every_measured_row_has_counts() -> None:
    for row in (*(row for row in TABLE.base_rates if not row.judged), *TABLE.bands):
        assert row.failed >= 60
        assert row.readings > row.failed
    assert msgspec.json.encode(TABLE)
