"""The documents of a job that are not results of other rooms."""

from __future__ import annotations

from typing import Literal

from drivecare.documents import Value

Route = Literal["same-drive", "new-drive-data", "new-drive-empty"]
FactName = Literal["consent", "unreadable", "detached", "no-data", "weak-identity", "unchanged", "way-out", "route"]
OldDrive = Literal["returned", "kept", "destroyed"]
ImageFate = Literal["kept", "removed", "handed-over"]


class Opening(Value, frozen=True, kw_only=True):
    """What a job is opened with. `host` is a profile's ID, `label` what the unit's label says, word for word."""

    schema: Literal["drivecare/opening-1"] = "drivecare/opening-1"
    id: str
    opened_at: str  # ISO 8601 with offset, as every time here
    by: str | None = None
    host: str
    label: str
    complaint: str
    symptoms: tuple[str, ...] = ()
    advice: tuple[str, ...] = ()  # what the host's profile says to these symptoms


class Fact(Value, frozen=True, kw_only=True):
    """Something a person did, decided or was told, which no drive can report.

    `about` is what the fact is about, where it needs one: an unreadable area's offset in bytes, a serial number.
    """

    schema: Literal["drivecare/fact-1"] = "drivecare/fact-1"
    fact: FactName
    about: str | None = None
    note: str | None = None
    at: str
    by: str | None = None
