"""Is this the same drive? Decided by what the drive itself said, never by what a bridge said.

A drive is its WWN, else its own serial number with its model. A bridge's serial number proves nothing. Where a bridge
hides the drive's identity, a person may read the number off the label and log that; then it counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from drivecare.fit.model import Judged, PlannedDrive
from drivecare.reading.model import Drive, Identity
from drivecare.transfer.receipt import End

Same = Literal["yes", "no", "unknown"]


@dataclass(frozen=True, kw_only=True)
class Who:
    """A drive as some document names it."""

    model: str | None
    serial: str | None
    identity: Identity

    @classmethod
    def of(cls, named: Drive | End | Judged | PlannedDrive) -> Who:
        """From anything that names a drive."""
        return cls(model=named.model, serial=named.serial, identity=named.identity)

    def __str__(self) -> str:
        return " ".join(part for part in (self.model, self.serial) if part) or "a drive without a name"

    @property
    def strong(self) -> bool:
        """Whether the drive itself said who it is."""
        return self.identity.strength == "strong"

    def known(self, labels: frozenset[str]) -> bool:
        """Whether it is certain who this is: the drive said it, or a person logged its label."""
        return self.strong or folded(self.serial) in labels


def same_drive(one: Who, other: Who, labels: frozenset[str]) -> Same:
    """Whether both names mean one drive. `labels`: folded serial numbers a person read off a label and logged."""
    if one.strong and other.strong:
        if one.identity.wwn and other.identity.wwn:
            return "yes" if one.identity.wwn == other.identity.wwn else "no"
        return _by_number(one, other, one.identity.native_serial, other.identity.native_serial)
    if one.known(labels) and other.known(labels):
        return _by_number(one, other, one.serial, other.serial)
    return "unknown"


def is_the_planned(chosen: Who, fitted: Who, labels: frozenset[str]) -> Same:
    """Whether the fitted drive is the one the plan chose, which may be a row of a stock list that names its serial."""
    if chosen.identity.strength != "none":
        return same_drive(chosen, fitted, labels)
    return _by_number(chosen, fitted, chosen.serial, fitted.serial) if fitted.known(labels) else "unknown"


def folded(serial: str | None) -> str:
    """A serial number without what docks and typists change in it: outer blanks and case."""
    return (serial or "").strip().casefold()


def _by_number(one: Who, other: Who, number: str | None, other_number: str | None) -> Same:
    if not number or not other_number:
        return "unknown"
    if folded(number) != folded(other_number):
        return "no"
    if one.model and other.model and folded(one.model) != folded(other.model):
        return "no"
    return "yes"
