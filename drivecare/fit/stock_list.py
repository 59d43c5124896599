"""The shop's stock list: a CSV as spreadsheets write it, read into candidate drives.

A cell that cannot be understood is unknown, and is named with file, line and column. Any column that
`fit.stock_columns` does not know is ignored.
"""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

from drivecare.documents import MOST_STOCK_LINES, Value
from drivecare.errors import BadInput
from drivecare.fit.candidates import add_implied, make_names_unique
from drivecare.fit.model import Candidate
from drivecare.fit.stock_cells import Fields
from drivecare.fit.stock_columns import COLUMNS, MIXED_COLUMNS, columns_of, read_cell, unit_of
from drivecare.format import format_count
from drivecare.reading.identity import Identity
from drivecare.reading.typed_text import find_separator

_MOST_TITLE_LINES: Final = 10  # above the headings


Fault = tuple[int, str]  # the line, and what is wrong with it


class Stock(Value, frozen=True, kw_only=True):
    """The drives of a stock list, the columns that were ignored, and everything that is wrong with it.

    `faults`: a sentence for each line that was left out and each cell that was taken as unknown.
    """

    candidates: tuple[Candidate, ...]
    ignored: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


def read_stock(data: bytes, *, origin: str) -> Stock:
    """Read the drives of a CSV: separated by comma, semicolon or tab, with or without a byte order mark.

    What cannot be understood is among the faults, and everything else is read. Raises BadInput with file and line where
    the file as a whole is not a stock list.
    """
    faults: list[Fault] = []
    rows = _rows(_decode(data, origin), origin, faults)
    _, header = next(rows, (0, []))
    if not header:
        raise BadInput(
            "holds no line", location=origin, hint=f"The first line names the columns: {', '.join(COLUMNS)}."
        )
    names = columns_of(header)
    if not {"name", "model"} & set(names):
        raise BadInput(
            "has neither a column name nor a column model",
            location=f"{origin}:1",
            hint="The first line names the columns.",
        )
    units = [unit_of(heading) for heading in header]
    candidates: list[Candidate] = []
    lines: dict[str, int] = {}
    for number, cells in rows:
        if len(cells) > len(header):
            hint = "Put a cell that holds the separator into double quotes."
            problem = f": left out: has {len(cells):,} cells under {len(header):,} columns. {hint}"
            faults.append((number, problem))
            continue
        fields = _read_row(_join_columns(names, cells, units, number, faults), number, faults)
        if fields.setdefault("name", fields.get("model")):
            candidates.append(Candidate(**_identified(add_implied(fields))))
            faults.extend(_name_duplicate(candidates[-1], number, lines))
        else:
            faults.append((number, ": left out: does not name a drive. Fill in name or model."))
    ignored = tuple(
        cell.strip() for cell, name in zip(header, names, strict=True) if cell and name not in COLUMNS | MIXED_COLUMNS
    )
    return Stock(
        candidates=tuple(make_names_unique(candidates)), ignored=ignored, faults=tuple(_merge_faults(faults, origin))
    )


def _merge_faults(faults: Iterable[Fault], origin: str) -> Iterator[str]:
    """Put each fault into a sentence; one that many lines have is one sentence, so that all can be listed at once."""
    lines: dict[str, list[int]] = {}
    for number, problem in faults:
        shared = problem.startswith(" column")
        lines.setdefault(problem if shared else f"{number}{problem}", []).append(number)
    for key, (first, *others) in lines.items():
        repeated = f" and {format_count(len(others), 'more line')}," if others else ""
        yield f"{origin}:{first}{repeated}{key.removeprefix(str(first))}"


def _decode(data: bytes, origin: str) -> str:
    if b"\0" in data and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BadInput("is not text", location=origin, hint="Save the stock list as CSV.")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")  # what spreadsheets write on some desktops


def _blank_title(text: str) -> str:
    """Blank what stands above the headings, a title or a line for the spreadsheet alone; lines keep their numbers."""
    lines = text.split("\n")
    for number, line in enumerate(lines[:_MOST_TITLE_LINES]):
        with contextlib.suppress(csv.Error):
            cells = next(csv.reader([line.rstrip("\r")], delimiter=find_separator(line)), [])
            if {"name", "model"} & set(columns_of(cells)):
                return "\n".join(["" for _ in lines[:number]] + lines[number:])
    return text


def _rows(text: str, origin: str, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every line that is not empty; the separator is the one most frequent in the first."""
    text = _blank_title(text)
    separator = find_separator(text.lstrip("\r\n").partition("\n")[0])
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    for count in itertools.count():
        if count > MOST_STOCK_LINES:
            raise BadInput(
                f"has more than {MOST_STOCK_LINES:,} lines", location=origin, hint="Leave out what cannot fit."
            )
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            faults.append((reader.line_num, f": left out: is not a line of a table: {error}."))
            continue
        if any(cell.strip() for cell in cells):
            yield reader.line_num, [cell.strip() for cell in cells]


def _join_columns(
    names: Sequence[str], cells: Sequence[str], units: Sequence[str], number: int, faults: list[Fault]
) -> dict[str, tuple[str, str]]:
    """Each column's cell and unit. Of a column that the list has twice only what does not contradict itself counts."""
    row: dict[str, tuple[str, str]] = {}
    for name in dict.fromkeys(name for name in names if name in COLUMNS or name in MIXED_COLUMNS):
        filled = [
            (cell, unit) for other, cell, unit in zip(names, cells, units, strict=False) if other == name and cell
        ]
        if len(set(filled)) > 1:
            values = " and ".join(repr(cell) for cell, _ in filled)
            faults.append((number, f" column {name}: taken as unknown: the list has it twice, with {values}."))
        elif filled:
            row[name] = filled[0]
    return row


def _read_row(row: Mapping[str, tuple[str, str]], number: int, faults: list[Fault]) -> Fields:
    """Read the cells of a line, each with the unit of its heading; a column of its own goes before a mixed one."""
    fields: Fields = {}
    for name, (cell, unit) in row.items():
        try:
            values = read_cell(name, cell, unit)
        except ValueError as error:
            expected = f"{(COLUMNS | MIXED_COLUMNS)[name].help}.".replace("....", "...")
            faults.append((number, f" column {name}: taken as unknown: {error}. Expected: {expected}"))
            continue
        fields = values | fields if name in MIXED_COLUMNS else fields | values
    return fields


def _identified(fields: Fields) -> Fields:
    """A number typed from a label names a drive but does not prove it: the strength of the identity stays none."""
    wwn = fields.pop("wwn", None)
    if wwn:
        fields["identity"] = Identity(wwn=wwn)
    return fields


def _name_duplicate(candidate: Candidate, number: int, lines: dict[str, int]) -> Iterator[Fault]:
    """Name a drive that the list has twice, by its serial number and model: both lines are kept, one drive is meant."""
    serial = candidate.serial and f"{candidate.model or candidate.name}\n{candidate.serial}".casefold()
    if not serial:
        return
    if serial in lines:
        yield number, f": the same drive as in line {lines[serial]}, serial {candidate.serial}. Delete one of the two."
    lines.setdefault(serial, number)
