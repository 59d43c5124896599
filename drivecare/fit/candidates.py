"""Candidate drives: from a reading, with facts measured by hand. `fit.stock_list` reads them from a shop's list."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence

import msgspec

from drivecare.errors import BadInput
from drivecare.fit.model import Candidate, InterfaceProtocol
from drivecare.fit.standards import find_form_factor
from drivecare.fit.stock_cells import Fields
from drivecare.fit.stock_columns import COLUMNS, column_of, read_cell
from drivecare.reading.model import Drive, Reading

_LEAST_WITH_USUAL_PLUG_MM = 6.8  # 7 mm and its tolerance of 0.2 (SFF-8201)


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


def candidate_from_reading(
    reading: Reading, *, verdict: str | None = None, risk_12_months: float | None = None
) -> Candidate:
    """Describe a drive by its reading, which tells neither its height nor its current nor its screw holes.

    `verdict`, `risk_12_months`: what its assessment says.
    """
    drive = reading.drive
    name = " ".join(part for part in (drive.model, drive.serial) if part) or reading.path or "drive without a name"
    body = find_form_factor(drive.form_factor) if drive.form_factor else None
    protocol = drive.interface
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
        rotation_rpm=drive.rotation_rpm,
        link_gbps=drive.link_max_gbps,
        recording="shingled" if drive.shingled else None,
        verdict=verdict,
        risk_12_months=risk_12_months,
        obstacle=_find_obstacle(drive),
    )


def _find_obstacle(drive: Drive) -> str | None:
    if drive.security == "locked":
        return "it is locked by a password (ATA security), so nothing can be written to it"
    return describe_virtual(drive)


def describe_virtual(drive: Drive) -> str | None:
    """Say why a volume behind a controller says nothing about one drive; None for a drive."""
    return f"it is {drive.virtual}, not a drive; take a drive out of it and read that" if drive.virtual else None


def _usual_connector(protocol: InterfaceProtocol | None, body: str | None) -> str | None:
    """Full-size SATA and SAS drives have the usual plug of their kind; any other one has to be looked at."""
    if body in ("2.5-inch", "3.5-inch") and protocol in ("sata", "sas"):
        return protocol
    return "msata" if body == "msata" and protocol == "sata" else None


def add_implied(fields: Fields) -> Fields:
    """Add what the cells of a line leave out and yet tell: the usual plug of a body, and flash by its rating.

    Bytes that may be written are rated of solid-state drives only (JEDEC JESD218, TBW); a hard drive's workload is
    rated by the year. A 2.5-inch drive under 7 mm may have an edge connector instead of the usual plug (SFF-8784).
    """
    implied: Fields = {}
    if fields.get("rated_written_bytes") is not None and not fields.get("rotation_rpm"):
        implied["kind"] = "ssd"
    if fields.get("height_mm") is None or fields["height_mm"] >= _LEAST_WITH_USUAL_PLUG_MM:
        implied["connector"] = _usual_connector(fields.get("protocol"), fields.get("form_factor"))
    return {name: value for name, value in implied.items() if value is not None} | fields


def add_facts(candidate: Candidate, facts: Mapping[str, str]) -> Candidate:
    """Add what was measured or looked up by hand; the keys are columns of the stock list.

    Raises BadInput for a column that does not exist or a value that cannot be understood.
    """
    fields: Fields = {}
    for name, cell in facts.items():
        column = column_of(name)
        if column not in COLUMNS or column in ("name", "serial", "wwn"):
            raise BadInput(
                "is not a fact that can be given by hand", location=name, hint=f"Known: {', '.join(COLUMNS)}."
            )
        try:
            fields |= read_cell(column, cell)
        except ValueError as error:
            raise BadInput(str(error), location=f"{name}={cell}", hint=f"Expected: {COLUMNS[column].help}.") from error
    by_hand = tuple(sorted({*candidate.by_hand, *(column_of(name) for name in facts)}))
    return msgspec.structs.replace(candidate, by_hand=by_hand, **fields)
