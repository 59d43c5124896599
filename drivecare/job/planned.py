"""Is the drive on the bench the one that the plan chose?"""

from __future__ import annotations

from drivecare.reading.identity import Answer, DriveId, Identity, Named, compare


def is_the_planned(chosen: Named, fitted: Named, labels: frozenset[str]) -> Answer:
    """Compare the plan's choice, which may be a row of a stock list that only names a serial number.

    A stock list was typed from labels, so its serial number counts as the drive's own. `labels`: normalised serial
    numbers that a person read off a label and recorded.
    """
    typed = DriveId.of(chosen)
    if typed.identity.strength == "none":
        identity = Identity.from_names(wwn=typed.identity.wwn, native_serial=typed.serial)
        typed = DriveId(model=typed.model, serial=typed.serial, identity=identity)
    return compare(typed, fitted, labels=labels)
