"""A live drive's report together with what the machine knows of the drive: for drives that will not say who they are.

A bridge that lets nothing through, or a drive that hangs, still has a model and a size in the kernel's eyes. That is
kept beside the text in the saved reading, so that decoding it again gives the same reading.
"""

from __future__ import annotations

import msgspec

from drivecare.errors import NoDrive
from drivecare.reading.decode import decode_report
from drivecare.reading.gaps import GapNotes
from drivecare.reading.identity import Identity
from drivecare.reading.model import Attached, Drive, RawReport, Reading


def decode_attached(
    raw: RawReport, *, read_at: str | None = None, path: str | None = None, transport: str | None = None
) -> Reading:
    """Decode a report and complete it by what the machine knows. Raises NoDrive where neither names a drive."""
    attached = raw.attached
    try:
        reading = decode_report(raw, read_at=read_at, path=path, transport=transport)
    except NoDrive:
        if attached is None or not (attached.model or attached.native_serial or attached.bridge_serial):
            raise
        reading = Reading(
            read_at=read_at, path=path, transport=transport, bridge=raw.bridge, drive=_silent(raw), raw=raw
        )
    return reading if attached is None else _completed(reading, attached)


def _silent(raw: RawReport) -> Drive:
    """A drive that said nothing at all."""
    return Drive(
        attached_sector_bytes=raw.attached_sector_bytes,
        logical_sector_bytes=raw.attached_sector_bytes,
        native_capacity_bytes=raw.native_capacity_bytes,
    )


def _completed(reading: Reading, attached: Attached) -> Reading:
    drive = reading.drive
    drive = msgspec.structs.replace(
        drive,
        model=drive.model or attached.model,
        serial=drive.serial or attached.native_serial,
        identity=_completed_identity(drive.identity, attached),
        capacity_bytes=drive.capacity_bytes or attached.capacity_bytes,
    )
    gaps = GapNotes(reading.gaps)
    _note_differences(reading.drive, drive.identity, attached, gaps)
    return msgspec.structs.replace(reading, gaps=tuple(gaps.noted), drive=drive)


def _completed_identity(reported: Identity, attached: Attached) -> Identity:
    if reported.strength != "none":
        return msgspec.structs.replace(reported, bridge_serial=reported.bridge_serial or attached.bridge_serial)
    return Identity.from_names(
        wwn=attached.wwn,
        namespace=attached.namespace,
        eui64=attached.eui64,
        nguid=attached.nguid,
        native_serial=attached.native_serial,
        bridge_serial=attached.bridge_serial,
    )


def _note_differences(reported: Drive, identity: Identity, attached: Attached, gaps: GapNotes) -> None:
    codes = {gap.code for gap in gaps.noted}
    if attached.unanswered == "everything":
        gaps.note("no-answer", "The drive did not answer in time, not even to a short question.")
    elif attached.unanswered == "logs":
        gaps.note("logs-unanswered", "The drive hung while its logs were read; only its attributes came through.")
    if attached.tried and "bridge-blocked" not in codes:
        gaps.note("bridge-blocked", f"No health report comes through (ways tried: {len(attached.tried)}).")
    if not gaps.blocking and reported.protocol is None:
        gaps.note("no-health-data", "The drive gives no health data over this connection.")
    if identity.strength == "weak" and "identity-weak" not in codes:
        gaps.note("identity-weak", "Only the bridge's own serial number is known.")
    size, attached_size = reported.capacity_bytes, attached.capacity_bytes
    if size and attached_size and size != attached_size:
        gaps.note("size-differs", f"The drive reports {size:,} bytes; this machine sees {attached_size:,}.")
