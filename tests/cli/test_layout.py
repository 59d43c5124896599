"""Tables for people: nothing is cut, no word is broken, no blank stands at a line's end."""

from __future__ import annotations

import io
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.cli.layout import table
from drivecare.cli.screen import Screen

WORDS = st.text(alphabet="ABCXYZ0179-", min_size=1, max_size=45)
CELLS = st.lists(WORDS, min_size=1, max_size=6).map(" ".join)


def shown(rows: Sequence[tuple[str, ...]], width: int = 80) -> list[str]:
    out = Screen(file=io.StringIO(), width=width, highlight=False, markup=False)
    table(out, rows, heading=True)
    assert isinstance(out.file, io.StringIO)
    return out.file.getvalue().splitlines()


def test_the_last_column_is_wrapped_between_words() -> None:
    rows = [("item", "evidence"), ("old-drive", "Kestrel KD-500 KX25-00417, by its own World Wide Name")]
    assert shown(rows, 44) == [
        "item       evidence",
        "old-drive  Kestrel KD-500 KX25-00417, by its",
        "           own World Wide Name",
    ]


def test_a_serial_number_that_has_no_room_goes_below_its_row() -> None:
    rows = [("job", "unit", "drives"), ("1042", "x" * 60, "S" * 20 + "\n" + "T" * 20)]
    assert shown(rows) == [
        "job   unit",
        "      drives",
        f"1042  {'x' * 60}",
        f"      {'S' * 20}",
        f"      {'T' * 20}",
    ]


@given(st.lists(st.tuples(WORDS, WORDS, CELLS), min_size=1, max_size=5), st.sampled_from([40, 80, 200]))
def test_every_word_is_there_and_whole(rows: list[tuple[str, str, str]], width: int) -> None:
    lines = shown(list(rows), width)
    assert all(line == line.rstrip() for line in lines)
    assert [word for row in rows for cell in row for word in cell.split()] == [
        w for line in lines for w in line.split()
    ]


@pytest.mark.parametrize("width", [80, 100])
def test_no_line_is_wider_than_the_screen(width: int) -> None:
    rows = [("a" * 20, "b" * 12, "word " * 60), ("a", "b", "SERIAL-0123456789")]
    assert max(map(len, shown(rows, width))) <= width
