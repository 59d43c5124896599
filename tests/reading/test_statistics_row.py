"""A row of open drive statistics as a reading."""

from __future__ import annotations

import pytest

from drivecare.reading.statistics_row import StatisticsColumns


@pytest.mark.parametrize(
    ("row", "kind"),
    [
        (["KESTREL SSD 480", "", "", ""], "ssd"),
        (["KESTREL KW480", "", "", "97"], "ssd"),
        (["KESTREL KD4000", "0", "0", ""], "hdd"),
        (["KESTREL KD4000", "", "", ""], "hdd"),
        (["KESTREL KD4000", "410", "", "3"], "hdd"),
    ],
    ids=["by its name", "by its wear", "it spins", "nothing else said", "spinning outranks wear"],
)
def test_a_row_tells_a_drives_kind(row: list[str], kind: str) -> None:
    columns = StatisticsColumns(["model", "smart_3_raw", "smart_10_raw", "smart_233_raw", "smart_5_raw"])
    assert columns.kind([*row, "0"]) == kind


@pytest.mark.parametrize("cell", ["", "n/a", " N/A ", "-", "?", "NaN", "null", "unknown"])
def test_a_cell_that_tells_nothing_speaks_for_no_kind(cell: str) -> None:
    columns = StatisticsColumns(["date", "smart_5_raw", "smart_10_raw", "smart_177_raw"])
    assert columns.kind(["x", "0", cell, "97"]) == "ssd"
    assert columns.kind(["x", "0", "0", cell]) == "hdd"
