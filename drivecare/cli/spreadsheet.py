"""Cells of a CSV file that a spreadsheet must take for text, and never for a formula.

Tables of drives hold what drives and other people's programs say, and a shop opens the judged table in a spreadsheet,
which runs a cell that begins with = + - @, a tab or a line end. Such a cell gets an apostrophe in front, which
spreadsheets take as "this is text". A number such as -1 or +2.5e3 is left alone: it is no formula, and programs are to
read it as the number it is.

`restored` undoes it exactly: a cell that begins with apostrophes and such a sign gets one more, so one fewer is what
came in.

The signs: OWASP, "CSV Injection" (from memory: = + - @, tab, carriage return, line feed and the full-width forms).
"""

from __future__ import annotations

import csv
import io
import re

_SIGNS = "=+-@\t\r\n＝＋－＠"
# Blanks before a sign are dropped by some programs when they read a table.
_RISKY = re.compile(rf"'* *[{re.escape(_SIGNS)}]")
_PLAIN_NUMBER = re.compile(r" *[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)? *", re.ASCII)
# How such a cell may begin in its line. A table may have a hundred million lines, so a quick look comes first.
_BEGINNINGS = (*_SIGNS, '"', "'", " ")
_AFTER_A_COMMA = re.compile(f",[{re.escape(''.join(_BEGINNINGS))}]")


def as_text(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula."""
    return "'" + cell if _RISKY.match(cell) and not _PLAIN_NUMBER.fullmatch(cell) else cell


def restored(cell: str) -> str:
    """The cell as it was before `as_text`."""
    return cell[1:] if cell.startswith("'") and _RISKY.match(cell) else cell


def line_as_text(line: str) -> str:
    """A line of CSV, without its end, in which no cell is taken for a formula; any other line as it came."""
    if not line.startswith(_BEGINNINGS) and not _AFTER_A_COMMA.search(line):
        return line
    row = next(csv.reader((line,), strict=True))
    safe = [as_text(cell) for cell in row]
    if safe == row:
        return line
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(safe)
    return out.getvalue()
