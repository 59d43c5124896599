"""Names in a job: of the job itself, and of its results, which state number, kind, drive and time."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

from drivecare.documents import Value
from drivecare.errors import BadInput

IMAGES = "images"  # folder for copies of the customer's drive
SHEET = "handover.html"  # the job's own handover sheet
HIGHEST_NUMBER = 99_999
LIMIT_BYTES = 64 << 20  # as for every document; 99,999 of the longest lines of a chain have room, too
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_FILE_NAME = re.compile(r"([0-9]{4,5})-([a-z0-9]+)-(?:([A-Za-z0-9._-]+)-)?([0-9]{8}T[0-9]{6}Z)\.json")
_LOOKS_LIKE_A_NAME = re.compile(r"\d+-[^-]+-(?:.+-)?\d{8}T\d{6}Z\.json", re.DOTALL)
_STAMP = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True, kw_only=True)
class ResultFile:
    """One file of a job, as its name tells it: `kind` is the document's name without dashes ("readscan")."""

    number: int
    kind: str
    serial: str | None
    filed_at: datetime
    path: Path


@cache  # asked for every file of every job
def document_kind(kind: type[Value]) -> str:
    """Name a document type for a file name: "drivecare/selftest-1" is "selftest"."""
    schema = next(field.default for field in msgspec.structs.fields(kind) if field.name == "schema")
    return str(schema).partition("/")[2].rpartition("-")[0].replace("-", "")


def serial_of(document: Mapping[str, Any]) -> str | None:
    """Find the serial number of a document's drive, else target, else source, fit for a file name."""
    for place in (document, document.get("drive"), document.get("target"), document.get("source")):
        if isinstance(place, Mapping) and isinstance(place.get("serial"), str):
            return re.sub(r"[^A-Za-z0-9._-]+", "_", place["serial"])[:40].strip("-._") or None
    return None


def is_misnamed(name: str) -> bool:
    """Whether a name has the shape of a result's name, but an impossible number or time."""
    return _LOOKS_LIKE_A_NAME.fullmatch(name) is not None and parse_file_name(Path(name)) is None


def result_file_name(number: int, kind: str, serial: str | None, filed_at: datetime) -> str:
    """Compose the file name of a result."""
    fields = (f"{number:04}", kind, serial, filed_at.astimezone(UTC).strftime(_STAMP))
    return "-".join(filter(None, fields)) + ".json"


def is_result(path: Path) -> bool:
    """Whether a file is named as a filed result: such a file is never changed."""
    return parse_file_name(path) is not None


def parse_file_name(path: Path) -> ResultFile | None:
    """Parse the name of a result; None if it is not one."""
    match = _FILE_NAME.fullmatch(path.name)
    if match is None:
        return None
    number, kind, serial, stamp = match.groups()
    if f"{int(number):04}" != number or int(number) < 1:
        return None
    try:
        filed_at = datetime.fromisoformat(stamp)
    except ValueError:
        return None
    return ResultFile(number=int(number), kind=kind, serial=serial, filed_at=filed_at, path=path)


def check_job_id(id: str) -> str:
    """Return the ID if it can name a job: letters, digits, dot, dash, underscore, at most 64."""
    if not _ID.fullmatch(id):
        raise BadInput(
            f"{id!r} cannot name a job",
            hint="Use up to 64 letters, digits, dots, dashes and underscores, a letter or digit first.",
        )
    return id
