"""Whether a drive is the one expected: the one that the plan chose, and of the kind that the unit is built for.

Only what is known about both sides can speak against a drive.
"""

from __future__ import annotations

from drivecare.fit.host_profile import Host
from drivecare.fit.standards import find_form_factor, form_factors
from drivecare.format import spell_protocol
from drivecare.job.model import BuiltFor
from drivecare.reading.identity import DriveId, Identity, Named, SameDrive, compare
from drivecare.reading.model import Drive


def is_planned_drive(chosen: Named, fitted: Named, labels: frozenset[str]) -> SameDrive:
    """Compare the plan's choice, which may be a row of a stock list that only names a serial number.

    A stock list was typed from labels, so its serial number counts as the drive's own. `labels`: normalised serial
    numbers that a person read off a label and recorded.
    """
    typed = DriveId.of(chosen)
    if typed.identity.strength == "none":
        identity = Identity.from_names(wwn=typed.identity.wwn, native_serial=typed.serial)
        typed = DriveId(model=typed.model, serial=typed.serial, identity=identity)
    return compare(typed, fitted, labels=labels)


def built_for(host: Host) -> BuiltFor:
    """Extract what a job keeps of the unit's profile, so that the gate judges from the job's results alone."""
    bay = host.bay
    form_factors = (bay.form_factor, *bay.also, *bay.adapters)
    return BuiltFor(kind=host.kind, form_factors=form_factors, protocols=host.interface.protocols)


def why_unlike(drive: Drive, unit: BuiltFor | None) -> str:
    """Say how the drive differs from those the unit is built for, as part of a sentence; "" if it does not."""
    if unit is None:
        return ""
    body = find_form_factor(drive.form_factor) if drive.form_factor else None
    pairs = (
        (None if body is None else body.id, unit.form_factors, _spell_form_factor),
        (drive.interface, unit.protocols, spell_protocol),
    )
    return "; ".join(
        f"it is {spell(kind)}, but this unit is built for {' or '.join(map(spell, accepted))}"
        for kind, accepted, spell in pairs
        if kind is not None and accepted and kind not in accepted
    )


def _spell_form_factor(id: str) -> str:
    known = form_factors().get(id)
    return id if known is None else known.name
