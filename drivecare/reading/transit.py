"""What a report suffers on its way here, undone: line numbers, marks and time stamps at its lines, wrapped rows.

A mail program breaks lines at blanks, a narrow terminal at its last column. Only rows that make sense once they are
joined are joined; whatever stays broken is left for the decoder to complain about.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Callable
from itertools import pairwise

from drivecare.reading.attributes import begins_row, is_whole_row
from drivecare.reading.logs import begins_log_row, is_whole_log_row
from drivecare.reading.markup import unwrap
from drivecare.reading.report_text import split_lines, tidy_lines
from drivecare.reading.scsi import begins_counter_row, is_whole_counter_row

_MOST_PIECES = 4  # of a row: at 40 columns, the narrowest that keeps a row's name whole, it has three
_MOST_PREFIXES = 3  # one before the other: quoted, numbered, stamped
_FEWEST_LINES = 8  # rows 190 to 199 begin alike; a report does not
_FEWEST_NUMBERED = 20
_NUMBER = re.compile(r"\s*(\d{1,5})(?::|\.|\)|\t| ?\|)[ \t]?")
_STAMP = re.compile(
    r"(?:[A-Z][a-z]{2} [ \d]\d \d\d:\d\d:\d\d \S+ [^:\s]+:"  # syslog, RFC 3164
    r"|\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d\S*|\d\d:\d\d:\d\d[.,\d]*"
    r"|\[[ \d:.,T+-]{5,}\])(?: |$)"
)

_MARKS = "$|;,\\"
_CELLS = re.compile(r"[\s|\"]*(?:0x[0-9a-f]{2}|\d{1,3})\"?\s*([;,|])\s*\"?[A-Za-z][\w/-]+\"?\s*[;,|\s]", re.I)
_FEWEST_SEPARATORS = 7

# How a row of a kind begins, and when it is whole.
_ROWS: tuple[tuple[Callable[[str], bool], Callable[[str], bool]], ...] = (
    (begins_row, is_whole_row),
    (begins_log_row, is_whole_log_row),
    (begins_counter_row, is_whole_counter_row),
)


def restore_lines(text: str) -> list[str]:
    """The lines of a report as they were printed, as far as that can be told."""
    lines = split_lines(unwrap(text))
    for _ in range(_MOST_PREFIXES):
        lines, before = _strip_prefix(_strip_suffix(lines)), lines
        if lines == before:
            break
    return tidy_lines(_join_rows([_drop_separators(line) for line in lines]))


def _strip_prefix(lines: list[str]) -> list[str]:
    """Strip what stands before every line: a number that counts up, a time stamp, the same letters."""
    filled = [line for line in lines if line.strip()]
    if len(filled) < _FEWEST_LINES:
        return lines
    for pattern in (_NUMBER, _STAMP):
        matches = [match for line in filled if (match := pattern.match(line))]
        if 10 * len(matches) >= 9 * len(filled) and (pattern is _STAMP or _counts_up(matches)):
            return [pattern.sub("", line, count=1) for line in lines]
    # Not into a word: every line of a table's end begins with 19.
    first, last = min(filled), max(filled)
    alike = next((at for at, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))
    prefix = re.sub(r"\w+$", "", first[:alike])
    return [line.removeprefix(prefix) for line in lines] if prefix.strip() else lines


def _strip_suffix(lines: list[str]) -> list[str]:
    """Strip the mark that stands behind every line: "$", "|"."""
    marks = Counter(_mark_behind(line) for line in lines if line.strip())
    mark, times = marks.most_common(1)[0] if marks else ("", 0)
    if not mark or marks.total() < _FEWEST_LINES or 10 * times < 9 * marks.total():
        return lines
    return [line.rstrip().removesuffix(mark).rstrip() if _mark_behind(line) == mark else line for line in lines]


def _mark_behind(line: str) -> str:
    line = line.rstrip()
    return line[len(line.rstrip(_MARKS)) :]


def _drop_separators(line: str) -> str:
    """A row of the table out of a spreadsheet or a list, its cells apart by blanks."""
    match = _CELLS.match(line)
    if match is None or line.count(match[1]) < _FEWEST_SEPARATORS:
        return line
    return " ".join(cell.strip() for row in csv.reader([line], delimiter=match[1]) for cell in row).strip()


def _counts_up(matches: list[re.Match[str]]) -> bool:
    numbers = [int(match[1]) for match in matches]
    steps = [after - before for before, after in pairwise(numbers)]
    return len(numbers) >= _FEWEST_NUMBERED and 10 * sum(1 <= step <= 3 for step in steps) >= 9 * len(steps)


def _join_rows(lines: list[str]) -> list[str]:
    """Join the pieces of every row that was broken."""
    cut_at = _cut_column(lines)
    joined: list[str] = []
    at = 0
    while at < len(lines):
        row, pieces = _join_row(lines[at : at + _MOST_PIECES], cut_at)
        joined.append(row)
        at += pieces
    return joined


def _cut_column(lines: list[str]) -> int | None:
    """The column at which a terminal cut the lines, even within a word; None where a mail program broke them.

    A mail program leaves words whole and drops the blanks between them; a terminal leaves them beside the cut.
    """
    longest = max(map(len, lines), default=0)
    for line, after in pairwise(lines):
        broken = len(line) == longest and _begins_any(line) and not _begins_any(after)
        if broken and after.strip() and (line.endswith(" ") or after.startswith(" ")):
            return longest
    return None


def _begins_any(line: str) -> bool:
    return any(begins(line) for begins, _ in _ROWS)


def _join_row(lines: list[str], cut_at: int | None) -> tuple[str, int]:
    """The first of these lines with those that complete it, and how many they are."""
    row = lines[0]
    is_whole = next((is_whole for begins, is_whole in _ROWS if begins(row)), None)
    if is_whole is None or is_whole(row):
        return row, 1
    for count, (before, line) in enumerate(pairwise(lines), start=2):
        if not line.strip() or _begins_any(line):
            break
        row += line if len(before) == cut_at else f" {line}"
        if is_whole(row):
            return row, count
    return lines[0], 1
