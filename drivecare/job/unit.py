"""Is a drive of the kind that the job's unit is built for? Only what both sides tell can speak against it."""

from __future__ import annotations

from drivecare.fit.candidates import interface_protocol
from drivecare.fit.host_profile import Host
from drivecare.fit.standards import find_form_factor
from drivecare.job.model import BuiltFor
from drivecare.reading.model import Drive


def built_for(host: Host) -> BuiltFor:
    """What a job keeps of the unit's profile, so that the gate judges from the job's results alone."""
    bay = host.bay
    return BuiltFor(form_factors=(bay.form_factor, *bay.also, *bay.adapters), protocols=host.interface.protocols)


def unlike(drive: Drive, unit: BuiltFor | None) -> str:
    """How the drive differs from those the unit is built for, as part of a sentence; "" where it does not."""
    if unit is None:
        return ""
    body = find_form_factor(drive.form_factor) if drive.form_factor else None
    sides = (
        (None if body is None else body.id, unit.form_factors),
        (interface_protocol(drive), unit.protocols),
    )
    return "; ".join(
        f"it is {own}, this unit is built for {' or '.join(taken)}"
        for own, taken in sides
        if own is not None and taken and own not in taken
    )
