"""What a drive or another program says is text in a spreadsheet, and comes back as it was."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from drivecare.cli.assess_table import assess_table
from drivecare.cli.spreadsheet import as_text, line_as_text, restored

# OWASP, "CSV Injection", from memory: the first signs at which spreadsheets begin a formula.
FORMULAS = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", " =1+1", "=", "-", "--1", "＝1", "-1,5"]
PLAIN = ["", "0", "-1", "+2.5e3", "-.5", " -7 ", "KX25-00417", "a=b", "1-2", "'", "it's", "'quoted'", "ſ"]


@pytest.mark.parametrize("cell", FORMULAS)
def test_a_formula_becomes_text(cell: str) -> None:
    assert as_text(cell) == "'" + cell
    assert restored(as_text(cell)) == cell


@pytest.mark.parametrize("cell", PLAIN)
def test_anything_else_stays_as_it_is_numbers_too(cell: str) -> None:
    assert as_text(cell) == cell
    assert restored(cell) == cell


CELLS = st.text(alphabet="=+-@\t'\" ,1.5eEab＝", max_size=6)


@given(CELLS)
def test_every_cell_comes_back_as_it_was(cell: str) -> None:
    safe = as_text(cell)
    assert restored(safe) == cell
    assert safe.lstrip(" ")[:1] not in set("=+-@\t\r＝") or safe == cell


@given(st.lists(CELLS, min_size=1, max_size=4))
def test_a_line_is_its_cells(row: list[str]) -> None:
    line = ",".join('"' + cell.replace('"', '""') + '"' if set(cell) & set(',"') else cell for cell in row)
    (safe,) = csv.reader((line_as_text(line),), strict=True) if line else ([""],)
    assert safe == [as_text(cell) for cell in row]


@pytest.mark.promise(9)
@pytest.mark.parametrize("to_file", [True, False], ids=["--output", "stdout"])
def test_the_judged_table_runs_nothing(tmp_path: Path, to_file: bool) -> None:
    table, output = tmp_path / "day.csv", tmp_path / "judged.csv"
    header = "=header,model,smart_5_raw,note"
    rows = [
        '"=HYPERLINK(""http://x"",""y"")",@model,3,-1',
        "KX25-00417,Kestrel KD-500,0,+cmd|' /C calc'!A0",
        "plain,\tModel,0,'=mine",
    ]
    table.write_text("\n".join([header, *rows]) + "\n")
    arguments = [str(table), *(["--output", str(output)] if to_file else [])]
    result = CliRunner().invoke(assess_table, arguments, catch_exceptions=False)
    judged = list(csv.reader((output.read_text() if to_file else result.stdout).splitlines(), strict=True))
    assert [row[:4] for row in judged] == [
        ["'=header", "model", "smart_5_raw", "note"],
        ['\'=HYPERLINK("http://x","y")', "'@model", "3", "-1"],
        ["KX25-00417", "Kestrel KD-500", "0", "'+cmd|' /C calc'!A0"],
        ["plain", "'\tModel", "0", "''=mine"],
    ]
    given_rows = list(csv.reader([header, *rows], strict=True))
    assert [[restored(cell) for cell in row[:4]] for row in judged] == given_rows
