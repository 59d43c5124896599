"""Which drive is which: every rule by which two names are, are not, or may be one drive."""

from __future__ import annotations

import pytest

from drivecare.job.sameness import Who, folded, is_the_planned, same_drive
from drivecare.reading.identity import Identity

NOBODY: frozenset[str] = frozenset()


def spoken(wwn: str | None, serial: str | None, model: str | None = "Kestrel KD-500") -> Who:
    """A drive that said itself who it is."""
    return Who(model=model, serial=serial, identity=Identity(wwn=wwn, native_serial=serial, strength="strong"))


def docked(serial: str | None, model: str | None = "Kestrel KD-500") -> Who:
    """A drive behind a dock that shows a number of which nobody knows whose it is."""
    return Who(model=model, serial=serial, identity=Identity(bridge_serial=serial, strength="weak"))


def written(serial: str | None, model: str | None = "Kestrel KD-500") -> Who:
    """A row of a stock list."""
    return Who(model=model, serial=serial, identity=Identity())


A, B = "50c0ffe0a1b20417", "50c0ffe0b7031842"

SAME = {
    "one WWN": (spoken(A, "K1"), spoken(A, "K1"), NOBODY, "yes"),
    "one WWN, one says no serial number": (spoken(A, "K1"), spoken(A, None), NOBODY, "yes"),
    "one WWN, serial numbers as two programs cut them": (spoken(A, "K1"), spoken(A, "00K1"), NOBODY, "yes"),
    "two WWNs": (spoken(A, "K1"), spoken(B, "K2"), NOBODY, "no"),
    "two WWNs and one serial number": (spoken(A, "K1"), spoken(B, "K1"), NOBODY, "no"),
    "one says no WWN, serial number and model agree": (spoken(A, "K1"), spoken(None, "K1"), NOBODY, "yes"),
    "neither says a WWN, serial number and model agree": (spoken(None, "K1"), spoken(None, "K1"), NOBODY, "yes"),
    "serial numbers in another case, with blanks": (spoken(None, "k1 "), spoken(None, " K1"), NOBODY, "yes"),
    "one says no WWN, serial numbers differ": (spoken(A, "K1"), spoken(None, "K2"), NOBODY, "no"),
    "serial number alike, model not": (spoken(None, "K1"), spoken(None, "K1", "Petrel PM-500"), NOBODY, "no"),
    "serial number alike, one names no model": (spoken(None, "K1"), spoken(None, "K1", None), NOBODY, "yes"),
    "nothing to compare": (spoken(A, None), spoken(None, "K1"), NOBODY, "unknown"),
    "one behind a dock": (spoken(A, "K1"), docked("K1"), NOBODY, "unknown"),
    "both behind one dock": (docked("DOCK1"), docked("DOCK1"), NOBODY, "unknown"),
    "behind a dock, its label was read": (spoken(A, "K1"), docked("K1"), frozenset({"k1"}), "yes"),
    "behind docks, both labels read": (docked("K1"), docked("k1"), frozenset({"k1"}), "yes"),
    "behind a dock, another label was read": (spoken(A, "K1"), docked("K1"), frozenset({"k2"}), "unknown"),
    "label read, and it is another's": (spoken(A, "K1"), docked("K2"), frozenset({"k2"}), "no"),
    "label read, model another": (spoken(A, "K1"), docked("K1", "Petrel PM-500"), frozenset({"k1"}), "no"),
    "a row of a stock list": (spoken(A, "K1"), written("K1"), NOBODY, "unknown"),
}


@pytest.mark.parametrize("rule", SAME)
def test_two_names_of_drives(rule: str) -> None:
    one, other, labels, answer = SAME[rule]
    assert same_drive(one, other, labels) == answer
    assert same_drive(other, one, labels) == answer


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


def test_no_serial_number_is_no_label() -> None:
    """A nameless drive is nobody's, even where an empty label was logged."""
    assert folded(None) == folded("  ") == ""
    assert same_drive(docked(None), docked(None), frozenset({""})) == "unknown"
