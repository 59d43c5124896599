"""A row of a table gets the verdict that the same drive gets alone."""

from __future__ import annotations

import io
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.documents import MOST_ROW_LETTERS
from drivecare.errors import BadInput
from drivecare.reading.model import Drive, Reading, Values
from drivecare.risk.assess import assess
from drivecare.risk.drive_table import TableJudge, find_thresholds, judge_lines, read_lines, split_cells
from drivecare.risk.model import Assessment
from drivecare.risk.survival import load_table

COUNTERS = {
    "smart_5_raw": "reallocated",
    "smart_9_raw": "power_on_hours",
    "smart_10_raw": "spin_retries",
    "smart_184_raw": "end_to_end_errors",
    "smart_187_raw": "reported_uncorrectable",
    "smart_188_raw": "command_timeouts",
    "smart_194_raw": "temperature_celsius",
    "smart_196_raw": "reallocation_events",
    "smart_197_raw": "pending",
    "smart_198_raw": "offline_uncorrectable",
    "smart_199_raw": "crc_errors",
}
HEADER = ["date", "model", *COUNTERS]
SHARED = TableJudge(HEADER)  # one memory over all examples, so that a wrongly shared state is found

small = st.one_of(st.none(), st.sampled_from([0, 1, 2, 7, 8, 10, 15, 16, 49, 50, 99, 100, 199, 200, 999, 1000, 1001]))
hours = st.one_of(st.none(), st.sampled_from([0, 100, 43_799, 43_800, 52_595, 52_596, 52_597, 60_000]))
celsius = st.one_of(st.none(), st.sampled_from([20, 38, 50, 51, 60, 61, 66]))


@given(
    st.fixed_dictionaries(
        {name: hours if name == "smart_9_raw" else celsius if name == "smart_194_raw" else small for name in COUNTERS}
    ),
    st.sampled_from(["KESTREL KD4000", "", *(f"{row.models[0]}KD4000" for row in load_table().base_rates[:-1])]),
)
def test_a_row_is_judged_as_the_drive_alone(numbers: dict[str, Any], model: str) -> None:
    row = ["2030-01-01", model, *("" if numbers[name] is None else str(numbers[name]) for name in COUNTERS)]
    values = Values(**{COUNTERS[name]: number for name, number in numbers.items()})
    alone = assess(Reading(drive=Drive(model=model or None, kind="hdd", protocol="ata"), values=values))
    chance = alone.failure_12_months
    judgement = SHARED.judge(row)
    assert (judgement.verdict, judgement.leading_signal) == (alone.verdict, alone.leading_signal)
    assert (judgement.estimate, judgement.low, judgement.high) == (chance.estimate, chance.low, chance.high)


def test_the_maker_in_the_column_model_decides_the_base_rate() -> None:
    estimates = {
        row.maker: SHARED.judge(["2030-01-01", f"{row.models[0]}KD4000", *["0"] * len(COUNTERS)]).estimate
        for row in load_table().base_rates[:-1]
    }
    for row in load_table().base_rates[:-1]:
        assert estimates[row.maker] == pytest.approx(row.chance, abs=1e-4)


def test_ages_are_kept_apart_where_a_rule_or_the_base_rate_changes() -> None:
    assert {43_800, 52_596} <= set(find_thresholds()["power_on_hours"])


def test_states_are_few_and_cells_many(monkeypatch: pytest.MonkeyPatch) -> None:
    """200 counts and 30 temperatures that mean the same are assessed once."""
    calls: list[Reading] = []

    def counted(reading: Reading) -> Assessment:
        calls.append(reading)
        return assess(reading)

    monkeypatch.setattr("drivecare.risk.drive_table.assess", counted)
    judge = TableJudge(["smart_5_raw", "smart_188_raw", "smart_194_raw"])
    judgement = {judge.judge(["0", str(count), str(20 + count % 30)]) for count in range(2, 202)}
    assert (len(judgement), len(calls)) == (1, 1)
    judge.judge(["0", "2", "51"])
    assert len(calls) == 2


def test_wear_counts_beyond_the_last_counter_too() -> None:
    """Cells after the counters are not split for every row."""
    header = ["model", "smart_5_raw", "smart_232_raw", "smart_233_raw", "smart_254_raw"]
    judge = TableJudge(header)
    assert judge.last == 2
    lines = ["KESTREL KW480,0,,97,", "KESTREL KD4000,0,,,"]
    worn, spinning = (judgement for *_, judgement in judge_lines(lines, judge, len(header), FaultRecorder()))
    assert worn == TableJudge(header).judge(["KESTREL SSD 480", "0", "", "", ""])
    assert spinning == TableJudge(header).judge(["KESTREL KD4000", "0", "", "", ""])
    assert worn != spinning


def test_nothing_said_is_unproven_without_a_chance() -> None:
    judgement = SHARED.judge(["2030-01-01", "KESTREL KD4000", *[""] * len(COUNTERS)])
    assert judgement.verdict == "unproven"
    assert judgement.estimate is None
    assert judgement.cells == "unproven,,,," + (judgement.leading_signal or "")


def test_packed_timeouts_count_their_lowest_word() -> None:
    """0x0043004400C4 is 196 timeouts, 68 of them slow and 67 slower; 4,295,032,832 has none in its lowest word."""
    judge = TableJudge(["smart_5_raw", "smart_188_raw", "smart_197_raw"])
    assert judge.judge(["0", str(0x0043_0044_00C4), "0"]) == judge.judge(["0", "196", "0"])
    assert judge.judge(["0", str(1 << 32 | 1 << 16), "0"]) == judge.judge(["0", "0", "0"])


def test_numbers_that_went_through_other_programs() -> None:
    judge = TableJudge(["smart_5_raw", "smart_197_raw"])
    assert judge.judge(["12.0", "0.0"]) == judge.judge(["12", "0"])


@pytest.mark.parametrize("cell", ["4295032833", "4295032833.0", "4.295032833e9", " 4295032833 "])
def test_numbers_in_other_spellings(cell: str) -> None:
    judge = TableJudge(["smart_5_raw", "smart_188_raw"])
    assert judge.judge(["0", cell]) == judge.judge(["0", "1"])


@pytest.mark.parametrize("cell", ["NA", "nan", "NULL", "  "])
def test_other_spellings_of_an_empty_cell(cell: str) -> None:
    judge = TableJudge(["smart_5_raw", "smart_9_raw", "smart_197_raw"])
    assert judge.judge([cell, cell, "0"]) == judge.judge(["", "", "0"])


@pytest.mark.parametrize("cell", ["9" * 40, "9" * 5000, "1e30", "281474976710656", "4294967295", "50000001"])
def test_a_count_that_cannot_be_is_neither_said_nor_zero(cell: str) -> None:
    """The reader of reports takes 50,000,000 sectors for the most; a raw value has six bytes."""
    judge = TableJudge(["smart_5_raw", "smart_9_raw", "smart_197_raw"])
    judgement, unsaid = judge.judge([cell, "0", "0"]), judge.judge(["", "0", "0"])
    assert (judgement.verdict, judgement.leading_signal) == ("recheck", "unread_count")
    assert (unsaid.verdict, unsaid.estimate) == ("refit", judgement.estimate)
    assert judge.judge(["0", "160000000000000", "0"]) == judge.judge(["0", "", "0"])


@pytest.mark.promise(7)
def test_the_memory_stays_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drivecare.risk.drive_table.MOST_REMEMBERED", 10)
    judge = TableJudge(["smart_5_raw", "smart_197_raw"])
    first = judge.judge(["0", "0"])
    for count in range(35):
        judge.judge([str(count), "0"])
        assert len(judge._by_cells) <= 10
    assert judge.judge(["0", "0"]) == first


class FaultRecorder:
    """Takes down what is wrong with a table."""

    def __init__(self) -> None:
        self.left_out: list[tuple[int, str]] = []
        self.doubted: list[tuple[int, str]] = []

    def leave_out(self, line: int, reason: str) -> None:
        self.left_out.append((line, reason))

    def doubt(self, line: int, reason: str) -> None:
        self.doubted.append((line, reason))


def test_a_quoted_cell_may_hold_a_comma() -> None:
    assert split_cells('a,"b, c",d') == ["a", "b, c", "d"]
    judge = TableJudge(["model", "smart_5_raw"])
    ((_, line, row, judgement),) = judge_lines(['"KESTREL, KD",3\n'], judge, 2, FaultRecorder())
    assert (line, row) == ('"KESTREL, KD",3', ["KESTREL, KD", "3"])
    assert judgement == judge.judge(["x", "3"])


HEADER = ["model", "smart_5_raw", "smart_9_raw", "smart_197_raw"]
GOOD = "x,0,100,0\n"


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("1,2\n", "it has 2 cells, the header has 4"),
        ("a,b,c,d,e\n", "it has 5 cells, the header has 4"),
        ('x,"1,0\n', "it is not valid CSV: unexpected end of data"),
        (None, "it has more than 1,048,576 letters"),
    ],
    ids=["short", "long", "an open quotation", "without end"],
)
def test_a_line_that_cannot_be_judged_is_left_out_and_named(line: str | None, what: str) -> None:
    faults = FaultRecorder()
    judged_lines = list(judge_lines([GOOD, line, GOOD], TableJudge(HEADER), 4, faults))
    assert [number for number, *_ in judged_lines] == [2, 4]
    assert (faults.left_out, faults.doubted) == ([(3, what)], [])


@pytest.mark.parametrize("cell", ["many", "0.5", "inf", "-1"])
@pytest.mark.parametrize("column", [1, 2, 3])
def test_a_cell_that_is_not_a_number_is_named_every_time_and_counts_as_unreadable(cell: str, column: int) -> None:
    line = ",".join(cell if place == column else original for place, original in enumerate(GOOD.strip().split(",")))
    faults, judge = FaultRecorder(), TableJudge(HEADER)
    (_, _, _, good), (_, _, _, bad), _ = judge_lines([GOOD, f"{line}\n", f"{line}\n"], judge, 4, faults)
    sentence = f"column {HEADER[column]} holds {cell!r}, a whole number or an empty cell is needed; taken as unreadable"
    assert faults.doubted == [(3, sentence), (4, sentence)]
    assert good.verdict == "refit"
    assert bad.verdict == ("refit" if HEADER[column] == "smart_9_raw" else "recheck")


@pytest.mark.parametrize("cell", ["", "n/a", " N/A ", "-", "?", "NaN", "null", "unknown"])
def test_a_cell_that_says_nothing_is_no_fault(cell: str) -> None:
    faults, judge = FaultRecorder(), TableJudge([*HEADER, "smart_10_raw", "smart_177_raw"])
    ((_, _, _, judgement),) = judge_lines([f"x,{cell},{cell},{cell},{cell},{cell}\n"], judge, 6, faults)
    assert (faults.left_out, faults.doubted) == ([], [])
    assert judgement == judge.judge(["x", "", "", "", "", ""])


def test_a_line_without_end_is_never_held_whole() -> None:
    source = io.StringIO("head\n" + "x" * 3 * MOST_ROW_LETTERS + "\nlast")
    assert list(read_lines(source)) == ["head\n", None, "last"]


def test_a_table_without_counters_is_refused() -> None:
    with pytest.raises(BadInput, match="no column of raw counters"):
        TableJudge(["date", "model", "smart_5_normalized"])
