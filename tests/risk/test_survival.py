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
    MOST_CERTAIN,
    Ladder,
    Rung,
    SurvivalTable,
    added_hazard,
    age_step,
    find_base_rate,
    hazard,
    list_unmeasured,
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


def test_older_never_lowers_the_base_rate_and_leaves_its_lower_end() -> None:
    for row in TABLE.base_rates:
        young, old = look_up(TABLE, row, 0, 100), look_up(TABLE, row, 0, 12 * HOURS_PER_YEAR)
        assert young.chance < old.chance
        assert young.high < old.high
        assert young.low == old.low
        assert look_up(TABLE, row, 0, None) == young


def test_a_maker_has_a_base_rate_of_its_own_and_any_other_drive_the_widest() -> None:
    *makers, any_drive = TABLE.base_rates
    assert len({row.chance for row in makers}) == len(makers) >= 4
    for row in makers:
        assert find_base_rate(TABLE, Drive(kind="hdd", model=row.models[0] + "7-KD500")) == row
        assert row.high / row.low < any_drive.high / any_drive.low
    assert find_base_rate(TABLE, Drive(kind="hdd", model="Kestrel KD-500")) == any_drive
    assert find_base_rate(TABLE, Drive(kind="hdd")) == any_drive


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        (Drive(model="Kestrel KD-500"), "drives of this maker"),
        (Drive(), "a drive whose model is not told"),
        (Drive(model=TABLE.base_rates[0].models[0] + "1", form_factor="2.5 inches"), "drives under 3.5 inches"),
        (Drive(model=TABLE.laptop_models[0]), "drives under 3.5 inches"),
        (Drive(model=TABLE.base_rates[0].models[0] + "1", zoned="device-managed"), "shingled recording"),
    ],
)
def test_what_the_data_do_not_hold_is_said_and_takes_the_widest_base_rate(drive: Drive, words: str) -> None:
    assert list_unmeasured(TABLE, drive) == (words,)
    assert find_base_rate(TABLE, drive) == TABLE.base_rates[-1]
    chance = measured_chance(Reading(drive=msgspec.structs.replace(drive, kind="hdd"), values=Values(pending=0)))
    assert chance
    assert chance.unmeasured == (words,)
    assert chance.estimate == pytest.approx(TABLE.base_rates[-1].chance, abs=1e-4)


def test_states_with_different_points_do_not_tie_below_the_last_band() -> None:
    row = TABLE.base_rates[-1]
    estimates = [look_up(TABLE, row, points, 0)[0] for points in range(1, int(TABLE.bands[-1].points), 10)]
    assert all(low < high for low, high in pairwise(estimates))


def test_points_add_their_hazard_to_the_makers() -> None:
    """Whoever survives a year survives both causes: worked out here as a product of chances."""
    for row in TABLE.base_rates:
        for band in TABLE.bands:
            if band.points == int(band.points):
                expected = 1 - (1 - row.chance) * (1 - band.chance)
                assert look_up(TABLE, row, int(band.points), 0)[0] == pytest.approx(
                    min(expected, MOST_CERTAIN), abs=1e-4
                )


def test_between_bands_points_and_hazard_lie_on_a_straight_line_of_logarithms() -> None:
    low, high = next(pair for pair in pairwise(TABLE.bands) if pair[1].points - pair[0].points > 5)
    points = math.ceil(low.points) + 2
    share = (math.log(points) - math.log(low.points)) / (math.log(high.points) - math.log(low.points))
    logs = [math.log(-math.log(1 - band.chance)) for band in (low, high)]
    assert math.log(added_hazard(TABLE, points)) == pytest.approx(logs[0] + share * (logs[1] - logs[0]))
    assert added_hazard(TABLE, 0) == 0
    assert added_hazard(TABLE, 10**6) == pytest.approx(hazard(TABLE.bands[-1].chance))


def test_one_reported_error_outweighs_replaced_sectors() -> None:
    """187 alone is stronger than 5 alone: fits that share its effect with 197 hide that."""
    reported, replaced = score(Values(reported_uncorrectable=1)).points, score(Values(reallocated=500)).points
    assert reported > replaced
    assert score(Values(command_timeouts=1)).points < score(Values(reallocated=1)).points


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
    assert figures.clean == pytest.approx(TABLE.base_rates[-1].chance, abs=1e-4)


def test_an_age_that_too_few_drives_reached_is_said_to_be_judged() -> None:
    judged = TABLE.ages[-1]
    assert judged.judged
    assert judged.failed < 60
    old = measured_chance(hdd(reallocated=0, power_on_hours=judged.from_years * HOURS_PER_YEAR))
    assert old
    assert "judgement: " in old.basis
    assert old.estimate == old.clean
    assert age_step(TABLE, judged.from_years * HOURS_PER_YEAR - 1) == TABLE.ages[0]


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
    for row in (*TABLE.base_rates, *TABLE.bands):
        assert row.failed >= 60
        assert row.readings > row.failed
    assert msgspec.json.encode(TABLE)
