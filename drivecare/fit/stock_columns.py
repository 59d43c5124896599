"""The columns of a stock list, as shops and suppliers head and fill them.

A cell that is empty, "-", "?" or "unknown" is unknown. COLUMNS is the complete list of columns; `other_headings` is
what else people write above them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from drivecare.documents import MOST_CELL_LETTERS, Value
from drivecare.fit.stock_cells import (
    PROTOCOLS,
    CellReader,
    Fields,
    capacity_cell,
    choice_cell,
    connector_cell,
    current_cell,
    endurance_cell,
    error_rate_cell,
    form_factor_cell,
    height_cell,
    interface_cell,
    link_cell,
    mounting_cell,
    quantity_cell,
    sector_format_cell,
    size_cell,
    text_cell,
    wwn_cell,
)
from drivecare.fit.units import parse_price
from drivecare.reading.typed_text import MODEL_HEADINGS, UNIT_OF_HEADING, match_headings, plain_signs, spell_heading

_UNKNOWN_CELLS: Final = {"", "-", "--", "?", "unknown", "n/a", "na", "none", "tbd", "k.a."}


class Column(Value, frozen=True, kw_only=True):
    """A column of the stock list: what its cells become, a line of help with an example, other headings for it."""

    read: CellReader
    help: str
    other_headings: tuple[str, ...] = ()


_YES_NO: Final = {
    "yes": True,
    "ja": True,
    "nein": False,
    "y": True,
    "true": True,
    "1": True,
    "no": False,
    "n": False,
    "false": False,
    "0": False,
}
_KIND_WORDS: Final = {
    "hdd": "hdd", "hard drive": "hdd", "hard disk": "hdd", "festplatte": "hdd",
    "ssd": "ssd", "solid state": "ssd", "solid-state": "ssd",
}  # fmt: skip
_RECORDING: Final = {"conventional": "conventional", "cmr": "conventional", "shingled": "shingled", "smr": "shingled"}

COLUMNS: Final[dict[str, Column]] = {
    "name": Column(
        read=text_cell("name"),
        help="what you call it; the model if left out",
        other_headings=("drive", "item", "article", "artikel", "product", "description", "bezeichnung"),
    ),
    "model": Column(
        read=text_cell("model"),
        help="the maker's model number",
        other_headings=MODEL_HEADINGS,
    ),
    "serial": Column(
        read=text_cell("serial"),
        help="its serial number",
        other_headings=("serial_no", "serial_number", "ser_no", "s/n", "sn", "seriennummer"),
    ),
    "wwn": Column(
        read=wwn_cell,
        help="World Wide Name from the label, 5000c500a1b2c3d4",
        other_headings=("world_wide_name", "wwid"),
    ),
    "capacity": Column(
        read=capacity_cell,
        help="500 GB as labelled, or counted: 500107862016, 976773168 sectors",
        other_headings=("storage", "kapazität", "lba", "lbas", "sectors"),
    ),
    "kind": Column(
        read=choice_cell("kind", _KIND_WORDS), help="hdd or ssd", other_headings=("type", "drive_type", "media")
    ),
    "protocol": Column(read=choice_cell("protocol", PROTOCOLS), help="sata, nvme ..."),
    "connector": Column(
        read=connector_cell,
        help="sata, sata-slimline, sata-micro, msata, m2-m, m2-bm, sas, u2 ...",
        other_headings=("plug", "key", "anschluss"),
    ),
    "form_factor": Column(
        read=form_factor_cell,
        help='2.5-inch, 3.5", mSATA, M.2 2280 ...',
        other_headings=("form", "formfactor", "bauform"),
    ),
    "height": Column(
        read=height_cell, help="9.5 mm, also 9,5", other_headings=("z_height", "thickness", "höhe", "bauhöhe")
    ),
    "sector_format": Column(
        read=sector_format_cell, help="512n, 512e or 4Kn", other_headings=("sector", "sector_size", "format")
    ),
    "rpm": Column(
        read=quantity_cell("rotation_rpm", {"": 1.0, "rpm": 1.0, "u/min": 1.0}),
        help="how fast a hard drive turns: 5400 rpm",
        other_headings=("rotation", "rotation_speed", "drehzahl"),
    ),
    "link": Column(
        read=link_cell, help="6.0 Gb/s, PCIe 3.0 x4", other_headings=("link_speed", "interface_speed", "bus")
    ),
    "peak_3v3": Column(
        read=current_cell("peak_3v3_amps", "3.3"),
        help="greatest current on 3.3 V: 2.1 A",
        other_headings=("3.3v", "3.3_v", "3v3"),
    ),
    "peak_5v": Column(
        read=current_cell("peak_5v_amps", "5"),
        help="the same on 5 V, at spin-up: 1.0 A, 850 mA",
        other_headings=("5v", "5_v", "5v_current"),
    ),
    "peak_12v": Column(
        read=current_cell("peak_12v_amps", "12"),
        help="the same on 12 V",
        other_headings=("12v", "12_v", "12v_current"),
    ),
    "power_disable": Column(
        read=choice_cell("power_disable", _YES_NO), help="whether it obeys pin 3 of the power plug: yes or no"
    ),
    "recording": Column(
        read=choice_cell("recording", _RECORDING),
        help="conventional (cmr) or shingled (smr)",
        other_headings=("recording_technology", "cmr/smr", "smr/cmr"),
    ),
    "mounting": Column(read=mounting_cell, help="which holes it has: side+bottom; or exactly: bottom-middle"),
    "endurance": Column(
        read=endurance_cell, help="data that may be written to it by its rating: 150 TB", other_headings=("tbw",)
    ),
    "read_errors": Column(
        read=error_rate_cell, help="unrecoverable read errors: 1 in 10^14", other_headings=("ure", "uber")
    ),
    "rate": Column(
        read=quantity_cell("sustained_mb_s", {"": 1.0, "mb/s": 1.0}),
        help="sustained transfer: 120 MB/s",
        other_headings=("transfer_rate", "sustained"),
    ),
    "shelf": Column(
        read=text_cell("shelf"), help="where it is kept", other_headings=("bin", "box", "location", "lager", "regal")
    ),
    "price": Column(
        read=lambda cell: {"price": parse_price(cell)},
        help="39.00",
        other_headings=("cost", "preis", "unit_price", "eur", "usd"),
    ),
}
_SMR: Final = _RECORDING | {word: "shingled" if answer else "conventional" for word, answer in _YES_NO.items()}
# Headings that are no column of ours: the cell decides what it is about.
MIXED_COLUMNS: Final[dict[str, Column]] = {
    "size": Column(read=size_cell, help="500 GB, or 2.5-inch", other_headings=("größe", "grösse")),
    "interface": Column(read=interface_cell, help="SATA III, NVMe PCIe 3.0 x4", other_headings=("schnittstelle",)),
    "smr": Column(read=choice_cell("recording", _SMR), help="yes or no"),
}
_ALL: Final = COLUMNS | MIXED_COLUMNS


def column_of(heading: str) -> str:
    """The column that a heading means; the heading itself, spelled plainly, where it means none."""
    return columns_of([heading])[0]


def columns_of(headings: Iterable[str]) -> list[str]:
    """The columns that these headings mean; a heading that means none is spelled plainly."""
    return match_headings(headings, {name: column.other_headings for name, column in _ALL.items()})


def unit_of(heading: str) -> str:
    """The unit that a heading gives for its cells; "" where it gives none."""
    if spell_heading(heading) in ("lba", "lbas", "sectors"):
        return "sectors"
    match = UNIT_OF_HEADING.search(heading.strip().lower())
    unit = "" if match is None else match[1] or match[2] or ""
    return unit if re.fullmatch(r"[a-z/]{1,5}", unit) else ""


def read_cell(name: str, cell: str, unit: str = "") -> Fields:
    """Read a cell of a column; `unit` is that of the heading. Raises ValueError where it cannot be understood."""
    cell = cell.strip()
    if cell.lower() in _UNKNOWN_CELLS or plain_signs(cell) in _UNKNOWN_CELLS:
        return {}
    if len(cell) > MOST_CELL_LETTERS:
        raise ValueError(f"has more than {MOST_CELL_LETTERS} letters")
    if name not in ("name", "model", "serial", "shelf"):
        cell = plain_signs(cell)
        cell = f"{cell} {unit}" if unit and name != "price" and re.fullmatch(r"[\d.,' ]*\d", cell) else cell
    return _ALL[name].read(cell)
