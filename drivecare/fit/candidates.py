"""Candidate drives: from the shop's stock list, from a reading, with facts measured by hand.

A cell that is empty, "-", "?" or "unknown" is unknown. So is one that cannot be understood, which is named with file,
line and column. COLUMNS is the complete list of columns; any other column is ignored.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

import msgspec

from drivecare.documents import MOST_CELL_LETTERS, MOST_STOCK_LINES, Value
from drivecare.errors import BadInput
from drivecare.fit.model import SECTOR_FORMATS, Candidate, InterfaceProtocol
from drivecare.fit.standards import find_connector, find_form_factor, interfaces
from drivecare.fit.units import parse_amount, parse_quantity, parse_size
from drivecare.reading.identity import Identity, normalise_worldwide_name
from drivecare.reading.locale_numbers import parse_number
from drivecare.reading.model import Drive, Reading

_UNKNOWN_CELLS: Final = {"", "-", "?", "unknown", "n/a", "na", "none"}
_SEPARATORS: Final = ";\t,"

Fields = dict[str, Any]


class Column(Value, frozen=True, kw_only=True):
    """A column of the stock list: what its cells become, and a line of help with an example."""

    read: Callable[[str], Fields]
    help: str


class Stock(Value, frozen=True, kw_only=True):
    """The drives of a stock list, the columns that were ignored, and everything that is wrong with it.

    `faults`: a sentence for each line that was left out and each cell that was taken as unknown.
    """

    candidates: tuple[Candidate, ...]
    ignored: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()


# -------------------------------------------------------------------------------------------------- reading cells


def _text_cell(field: str) -> Callable[[str], Fields]:
    return lambda cell: {field: cell}


def _quantity_cell(field: str, units: dict[str, float]) -> Callable[[str], Fields]:
    def read(cell: str) -> Fields:
        value = parse_quantity(cell, units)
        if value < 0:
            raise ValueError("is negative")
        return {field: value}

    return read


def _height_cell(cell: str) -> Fields:
    height = parse_quantity(cell, {"": 1.0, "mm": 1.0, "cm": 10.0})
    if height <= 0:
        raise ValueError(f"{cell!r} is not a height")
    return {"height_mm": height}


def _choice_cell(field: str, choices: Mapping[str, object]) -> Callable[[str], Fields]:
    def read(cell: str) -> Fields:
        if cell.lower() not in choices:
            raise ValueError(f"{cell!r} is none of: {', '.join(choices)}")
        return {field: choices[cell.lower()]}

    return read


def _capacity_cell(cell: str) -> Fields:
    size = parse_size(cell)
    if size.counted_bytes is not None:
        return {"capacity_bytes": size.counted_bytes}
    return {"labelled_gb": size.labelled_gb}


def _wwn_cell(cell: str) -> Fields:
    wwn = normalise_worldwide_name(cell)
    if wwn is None:
        raise ValueError(f"{cell!r} is not 16 or 32 hexadecimal digits")
    return {"wwn": wwn}


def _form_factor_cell(cell: str) -> Fields:
    body = find_form_factor(cell)
    if body is None:
        raise ValueError(f"{cell!r} is not a form factor we know, such as 2.5-inch, 3.5-inch, mSATA, M.2 2280")
    return {"form_factor": body.id}


def _connector_cell(cell: str) -> Fields:
    plug = find_connector(cell)
    if plug is None:
        raise ValueError(f"{cell!r} is not a connector we know, such as SATA, slimline, mSATA, M.2 key M, SAS, U.2")
    return {"connector": plug.id}


def _sector_format_cell(cell: str) -> Fields:
    for name, (logical, physical) in SECTOR_FORMATS.items():
        if cell.lower() == name.lower():
            return {"logical_sector_bytes": logical, "physical_sector_bytes": physical}
    raise ValueError(f"{cell!r} is none of: {', '.join(SECTOR_FORMATS)}")


def _link_cell(cell: str) -> Fields:
    if match := re.fullmatch(r"pcie\s*(?:gen\s*)?(\d)(?:\.0)?\s*x\s*(\d+)", cell.lower()):
        generation, lanes = int(match[1]), int(match[2])
        if not 1 <= generation <= len(interfaces().pcie.gigatransfers) or lanes not in (1, 2, 4, 8, 16):
            raise ValueError(f"{cell!r} is not a PCIe link we know")
        return {"pcie_generation": generation, "pcie_lanes": lanes}
    match = re.fullmatch(r"(?:sata|sas)?\s*(\d+(?:[.,]\d+)?)\s*(?:gb/s|gbit/s|gbps|g)?", cell.lower())
    links = interfaces().links
    if match is None or parse_number(match[1]) not in {*links.sata, *links.sas}:
        raise ValueError(f"{cell!r} is not a link we know, such as 6.0 Gb/s or PCIe 3.0 x4")
    return {"link_gbps": parse_number(match[1])}


def _mounting_cell(cell: str) -> Fields:
    holes = tuple(re.findall(r"[a-z]+", cell.lower()))
    if not set(holes) <= {"side", "bottom"} or not holes:
        raise ValueError(f"{cell!r} is none of: side, bottom, side+bottom")
    return {"mounting": holes}


def _error_rate_cell(cell: str) -> Fields:
    match = re.search(r"(?:10\s*(?:\^|\*\*|e)|1e)\s*\+?(1[2-9])\s*$", cell.lower())
    if match is None:
        raise ValueError(f"{cell!r} is not an error rate such as 1 in 10^14 bits")
    return {"error_bits_exponent": int(match[1])}


def _endurance_cell(cell: str) -> Fields:
    rated = parse_amount(re.sub(r"(?i)tbw$", "TB", cell))
    if rated < 10**9:
        raise ValueError(f"{cell!r} is too little for a drive; say TB")
    return {"rated_written_bytes": rated}


def _price_cell(cell: str) -> Fields:
    match = re.fullmatch(r"[^\d]*(\d[\d., ]*?)[^\d]*", cell)
    if match is None:
        raise ValueError(f"{cell!r} is not a price")
    return {"price": parse_number(match[1])}


_AMPS: Final[dict[str, float]] = {"": 1.0, "a": 1.0, "ma": 0.001}
_YES_NO: Final = {"yes": True, "y": True, "true": True, "1": True, "no": False, "n": False, "false": False, "0": False}
_KIND_WORDS: Final = {"hdd": "hdd", "hard drive": "hdd", "hard disk": "hdd", "ssd": "ssd", "solid state": "ssd"}
_PROTOCOLS: Final = {"sata": "sata", "sas": "sas", "nvme": "nvme", "pata": "pata", "ide": "pata"}
_RECORDING: Final = {"conventional": "conventional", "cmr": "conventional", "shingled": "shingled", "smr": "shingled"}

COLUMNS: Final[dict[str, Column]] = {
    "name": Column(read=_text_cell("name"), help="what you call it; the model if left out"),
    "model": Column(read=_text_cell("model"), help="the maker's model number"),
    "serial": Column(read=_text_cell("serial"), help="its serial number"),
    "wwn": Column(read=_wwn_cell, help="World Wide Name from the label, 5000c500a1b2c3d4"),
    "capacity": Column(read=_capacity_cell, help="500 GB as labelled, or counted: 500107862016, 976773168 sectors"),
    "kind": Column(read=_choice_cell("kind", _KIND_WORDS), help="hdd or ssd"),
    "protocol": Column(read=_choice_cell("protocol", _PROTOCOLS), help="sata, nvme ..."),
    "connector": Column(read=_connector_cell, help="sata, sata-slimline, sata-micro, msata, m2-m, m2-bm, sas, u2 ..."),
    "form_factor": Column(read=_form_factor_cell, help='2.5-inch, 3.5", mSATA, M.2 2280 ...'),
    "height": Column(read=_height_cell, help="9.5 mm, also 9,5"),
    "sector_format": Column(read=_sector_format_cell, help="512n, 512e or 4Kn"),
    "link": Column(read=_link_cell, help="6.0 Gb/s, PCIe 3.0 x4"),
    "peak_3v3": Column(read=_quantity_cell("peak_3v3_amps", _AMPS), help="greatest current on 3.3 V: 2.1 A"),
    "peak_5v": Column(read=_quantity_cell("peak_5v_amps", _AMPS), help="the same on 5 V, at spin-up: 1.0 A, 850 mA"),
    "peak_12v": Column(read=_quantity_cell("peak_12v_amps", _AMPS), help="the same on 12 V"),
    "power_disable": Column(
        read=_choice_cell("power_disable", _YES_NO), help="whether it obeys pin 3 of the power plug: yes or no"
    ),
    "recording": Column(read=_choice_cell("recording", _RECORDING), help="conventional (cmr) or shingled (smr)"),
    "mounting": Column(read=_mounting_cell, help="which holes it has: side, bottom, side+bottom"),
    "endurance": Column(
        read=_endurance_cell,
        help="data that may be written to it by its rating: 150 TB",
    ),
    "read_errors": Column(read=_error_rate_cell, help="unrecoverable read errors: 1 in 10^14"),
    "rate": Column(read=_quantity_cell("sustained_mb_s", {"": 1.0, "mb/s": 1.0}), help="sustained transfer: 120 MB/s"),
    "shelf": Column(read=_text_cell("shelf"), help="where it is kept"),
    "price": Column(read=_price_cell, help="39.00"),
}


# ----------------------------------------------------------------------------------------------------- stock list


def read_stock(data: bytes, *, origin: str) -> Stock:
    """Read the drives of a CSV: separated by comma, semicolon or tab, with or without a byte order mark.

    What cannot be understood is among the faults, and everything else is read. Raises BadInput with file and line where
    the file as a whole is not a stock list.
    """
    faults: list[str] = []
    rows = _rows(_decode(data, origin), origin, faults)
    _, header = next(rows, (0, []))
    if not header:
        raise BadInput(
            "holds no line", location=origin, hint=f"The first line names the columns: {', '.join(COLUMNS)}."
        )
    names = [_column_name(cell) for cell in header]
    if not {"name", "model"} & set(names):
        raise BadInput(
            "has neither a column name nor a column model",
            location=f"{origin}:1",
            hint="The first line names the columns.",
        )
    doubled = sorted(name for name, count in Counter(names).items() if name in COLUMNS and count > 1)
    if doubled:
        raise BadInput(f"names a column twice: {', '.join(doubled)}", location=f"{origin}:1")
    candidates = []
    for number, cells in rows:
        line = f"{origin}:{number}"
        if len(cells) > len(header):
            hint = "Put a cell that holds the separator into double quotes."
            faults.append(f"{line}: left out: has {len(cells):,} cells under {len(header):,} columns. {hint}")
            continue
        fields = _read_row(dict(zip(names, cells, strict=False)), line, faults)
        if fields.setdefault("name", fields.get("model")):
            candidates.append(Candidate(**_identified(fields)))
        else:
            faults.append(f"{line}: left out: does not name a drive. Fill in name or model.")
    ignored = tuple(cell.strip() for cell, name in zip(header, names, strict=True) if name not in COLUMNS and cell)
    return Stock(candidates=tuple(make_names_unique(candidates)), ignored=ignored, faults=tuple(faults))


def _decode(data: bytes, origin: str) -> str:
    if b"\0" in data and not data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BadInput("is not text", location=origin, hint="Save the stock list as CSV.")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")  # what spreadsheets write on some desktops


def _rows(text: str, origin: str, faults: list[str]) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every line that is not empty; the separator is the one most frequent in the first."""
    first = text.lstrip("\r\n").partition("\n")[0]
    separator = max(_SEPARATORS, key=first.count)
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
            faults.append(f"{origin}:{reader.line_num}: left out: is not a line of a table: {error}.")
            continue
        if any(cell.strip() for cell in cells):
            yield reader.line_num, [cell.strip() for cell in cells]


def _column_name(cell: str) -> str:
    """A heading as COLUMNS spells it: lower case, without a unit in brackets, words joined by _."""
    plain = re.sub(r"\(.*?\)|\[.*?\]", "", cell).strip().lower()
    return re.sub(r"[\s-]+", "_", plain)


def _read_row(row: Mapping[str, str], line: str, faults: list[str]) -> Fields:
    fields: Fields = {}
    for name, cell in row.items():
        try:
            fields |= _read_cell(name, cell) if name in COLUMNS else {}
        except ValueError as error:
            faults.append(f"{line} column {name}: taken as unknown: {error}. Expected: {COLUMNS[name].help}.")
    return fields


def _read_cell(name: str, cell: str) -> Fields:
    """Read a cell. Raises ValueError where it cannot be understood."""
    if cell.strip().lower() in _UNKNOWN_CELLS:
        return {}
    if len(cell) > MOST_CELL_LETTERS:
        raise ValueError(f"has more than {MOST_CELL_LETTERS} letters")
    return COLUMNS[name].read(cell.strip())


def _identified(fields: Fields) -> Fields:
    """A number typed from a label names a drive but does not prove it: the strength of the identity stays none."""
    wwn = fields.pop("wwn", None)
    if wwn:
        fields["identity"] = Identity(wwn=wwn)
    return fields


def make_names_unique(candidates: Sequence[Candidate]) -> Iterator[Candidate]:
    """Make names unique, by the serial number or else by counting."""
    bearers = Counter(candidate.name for candidate in candidates)
    used: set[str] = set()
    next_number: Counter[str] = Counter()
    for candidate in candidates:
        shared = bearers[candidate.name] > 1 and candidate.serial
        name = f"{candidate.name} {candidate.serial}" if shared else candidate.name
        unique = name
        while unique in used:
            next_number[name] += 1
            unique = f"{name} ({next_number[name] + 1})"
        used.add(unique)
        yield msgspec.structs.replace(candidate, name=unique)


# ------------------------------------------------------------------------------------------- readings, by hand


def candidate_from_reading(reading: Reading, *, verdict: str | None = None) -> Candidate:
    """Describe a drive by its reading, which tells neither its height nor its current nor its screw holes."""
    drive = reading.drive
    name = " ".join(part for part in (drive.model, drive.serial) if part) or reading.path or "drive without a name"
    body = find_form_factor(drive.form_factor) if drive.form_factor else None
    protocol = interface_protocol(drive)
    return Candidate(
        name=name,
        model=drive.model,
        serial=drive.serial,
        identity=drive.identity,
        capacity_bytes=drive.capacity_bytes,
        kind=None if drive.kind == "unknown" else drive.kind,
        protocol=protocol,
        connector=_usual_connector(protocol, None if body is None else body.id),
        form_factor=None if body is None else body.id,
        logical_sector_bytes=drive.logical_sector_bytes,
        physical_sector_bytes=drive.physical_sector_bytes,
        link_gbps=drive.link_max_gbps,
        recording="shingled" if drive.zoned in ("host-aware", "host-managed", "device-managed") else None,
        verdict=verdict,
        obstacle=_find_obstacle(drive),
    )


def _find_obstacle(drive: Drive) -> str | None:
    if drive.virtual is not None:
        return f"it is {drive.virtual}, not a drive; take a drive out of it and read that"
    if drive.security == "locked":
        return "it is locked by a password (ATA security), so nothing can be written to it"
    return None


def interface_protocol(drive: Drive) -> InterfaceProtocol | None:
    """The protocol of a drive's connector; None where its reading does not tell SATA from PATA."""
    if drive.protocol == "nvme":
        return "nvme"
    if drive.protocol == "scsi":
        return "sas"
    return "sata" if drive.protocol == "ata" and drive.link_max_gbps is not None else None


def _usual_connector(protocol: InterfaceProtocol | None, body: str | None) -> str | None:
    """Full-size SATA and SAS drives have the usual plug of their kind; any other one has to be looked at."""
    if body in ("2.5-inch", "3.5-inch") and protocol in ("sata", "sas"):
        return protocol
    return "msata" if body == "msata" and protocol == "sata" else None


def add_facts(candidate: Candidate, facts: Mapping[str, str]) -> Candidate:
    """Add what was measured or looked up by hand; the keys are columns of the stock list.

    Raises BadInput for a column that does not exist or a value that cannot be understood.
    """
    fields: Fields = {}
    for name, cell in facts.items():
        column = _column_name(name)
        if column not in COLUMNS or column in ("name", "serial", "wwn"):
            raise BadInput(
                "is not a fact that can be given by hand", location=name, hint=f"Known: {', '.join(COLUMNS)}."
            )
        try:
            fields |= _read_cell(column, cell)
        except ValueError as error:
            raise BadInput(str(error), location=f"{name}={cell}", hint=f"Expected: {COLUMNS[column].help}.") from error
    by_hand = tuple(sorted({*candidate.by_hand, *(_column_name(name) for name in facts)}))
    return msgspec.structs.replace(candidate, by_hand=by_hand, **fields)
