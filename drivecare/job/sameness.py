"""Is this the same drive? The comparison is `reading.identity`'s; here stand the names the gate's rooms use for it."""

from __future__ import annotations

from dataclasses import dataclass

from drivecare.reading.identity import Answer, DriveId, Identity, Named, compare, normalise_serial

Same = Answer
folded = normalise_serial


@dataclass(frozen=True, kw_only=True)
class Who(DriveId):
    """A drive as some document names it."""

    def known(self, labels: frozenset[str]) -> bool:
        """Whether it is certain who this is: the drive said it, or a person logged its label."""
        return self.attested(labels)


def same_drive(one: Named, other: Named, labels: frozenset[str]) -> Same:
    """Whether both names mean one drive. `labels`: folded serial numbers a person read off a label and logged."""
    return compare(one, other, labels=labels)


def is_the_planned(chosen: Named, fitted: Named, labels: frozenset[str]) -> Same:
    """Compare the plan's choice, which may be a row of a stock list that only names a serial number.

    A stock list was typed from labels, so its serial number counts as the drive's own.
    """
    typed = DriveId.of(chosen)
    if typed.identity.strength == "none":
        identity = Identity.from_names(wwn=typed.identity.wwn, native_serial=typed.serial)
        typed = DriveId(model=typed.model, serial=typed.serial, identity=identity)
    return compare(typed, fitted, labels=labels)
