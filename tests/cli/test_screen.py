"""What people read: nothing is cut, no word is broken, no blank stands at a line's end."""

from __future__ import annotations

import io
from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivecare.cli.screen import Screen

WORDS = st.text(alphabet="ABCXYZ0179-", min_size=1, max_size=45)
CELLS = st.lists(WORDS, min_size=1, max_size=6).map(" ".join)


def screen(width: int = 80) -> Screen:
    return Screen(file=io.StringIO(), width=width, highlight=False, markup=False)


def lines_on(out: Screen) -> list[str]:
    assert isinstance(out.file, io.StringIO)
    return out.file.getvalue().splitlines()


def shown(rows: Sequence[tuple[str, ...]], width: int = 80) -> list[str]:
    out = screen(width)
    out.print_table(rows, heading=True)
    return lines_on(out)


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


def test_columns_without_room_go_below_the_row_together() -> None:
    rows = [("id", "takes a drive", "moves by"), ("hearth-21", "2.5-inch, to 9.5 mm", "sector copy")]
    assert shown(rows, 24) == [
        "id",
        "      takes a drive",
        "      moves by",
        "hearth-21",
        "      2.5-inch, to 9.5",
        "      mm  sector copy",
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


def test_a_paragraph_hangs_behind_its_beginning() -> None:
    out = screen(30)
    out.print_wrapped("It is losing data. Copy it now.", first="EVACUATE  ")
    out.print_wrapped("wrapped deeper than it begins", first="  ", indent=4)
    assert lines_on(out) == [
        "EVACUATE  It is losing data.",
        "          Copy it now.",
        "  wrapped deeper than it",
        "    begins",
    ]


@given(st.lists(WORDS, min_size=1, max_size=12), st.sampled_from([20, 40, 80]), st.sampled_from(["", "  - ", "x" * 30]))
def test_no_word_of_a_paragraph_is_broken(words: list[str], width: int, first: str) -> None:
    out = screen(width)
    out.print_wrapped(" ".join(words), first=first)
    lines = lines_on(out)
    assert " ".join(lines).removeprefix(first).split() == words
    assert all(line == line.rstrip() for line in lines)


def test_a_line_feed_in_a_name_begins_no_line_and_nothing_steers_the_terminal() -> None:
    out = screen()
    out.print_wrapped("a name\nVERIFIED \x1b[2J", first="serial \x07 ")
    out.print_table([("a\nb", "c\x1b[31m"), ("d", "e")])
    out.print_row("f\n\x1b]0;g\x07", "1", "kind", widths=(40, 9, 8))
    assert lines_on(out) == [
        "serial \\x07 a name VERIFIED \\x1b[2J",
        "a\\x0ab  c\\x1b[31m",
        "d       e",
        "f\\x0a\\x1b]0;g\\x07                                 1  kind",
    ]


def test_numbers_stand_right_and_the_first_column_gives_way_on_a_narrow_screen() -> None:
    for width, expected in (
        (80, ["  sectors waiting to be remapped              1,971  evacuate"]),
        (40, ["  sectors waiting to     1,971  evacuate", "  be remapped"]),
    ):
        out = screen(width)
        out.print_row("sectors waiting to be remapped", "1,971", "evacuate", widths=(40, 7, 8), indent="  ")
        assert lines_on(out) == expected


def test_a_character_of_two_columns_takes_two() -> None:
    out = screen()
    out.print_table([("\u65e5\u672c", "wide"), ("abcd", "narrow")])
    assert lines_on(out) == ["\u65e5\u672c  wide", "abcd  narrow"]
