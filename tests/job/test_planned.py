"""Is the fitted drive the planned one: read when it was planned, or a row of a stock list."""

from __future__ import annotations

import pytest

from drivecare.job.planned import is_the_planned
from drivecare.reading.identity import DriveId, Identity

A, B = "50c0ffe0a1b20417", "50c0ffe0b7031842"
NOBODY: frozenset[str] = frozenset()


def spoken(wwn: str | None, serial: str | None, model: str | None = "Kestrel KD-500") -> DriveId:
    """A drive that said itself who it is."""
    return DriveId(model=model, serial=serial, identity=Identity(wwn=wwn, native_serial=serial, strength="strong"))


def docked(serial: str | None, model: str | None = "Kestrel KD-500") -> DriveId:
    """A drive behind a dock that shows a number of which nobody knows whose it is."""
    return DriveId(model=model, serial=serial, identity=Identity(bridge_serial=serial, strength="weak"))


def written(serial: str | None, model: str | None = "Kestrel KD-500") -> DriveId:
    """A row of a stock list."""
    return DriveId(model=model, serial=serial, identity=Identity())


PLANNED = {
    "read when planned, and it is this one": (spoken(A, "K1"), spoken(A, "K1"), NOBODY, "yes"),
    "read when planned, and it is another": (spoken(A, "K1"), spoken(B, "K2"), NOBODY, "no"),
    "read when planned behind a dock": (docked("K1"), spoken(A, "K1"), NOBODY, "unknown"),
    "read when planned behind a dock, label read": (docked("K1"), spoken(A, "K1"), frozenset({"k1"}), "yes"),
    "a row of the stock list names it": (written("K1"), spoken(A, "k1"), NOBODY, "yes"),
    "a row of the stock list names another": (written("K2"), spoken(A, "K1"), NOBODY, "no"),
    "a row of the stock list of another model": (written("K1", "Petrel PM-500"), spoken(A, "K1"), NOBODY, "no"),
    "a row of the stock list without a number": (written(None), spoken(A, "K1"), NOBODY, "unknown"),
    "a row of the stock list, fitted behind a dock": (written("K1"), docked("K1"), NOBODY, "unknown"),
    "the same, its label was read": (written("K1"), docked("K1"), frozenset({"k1"}), "yes"),
}


@pytest.mark.parametrize("rule", PLANNED)
def test_the_drive_that_was_planned(rule: str) -> None:
    chosen, fitted, labels, answer = PLANNED[rule]
    assert is_the_planned(chosen, fitted, labels) == answer
