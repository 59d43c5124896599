"""What must hold before a target is written: one function per guard, each with its name.

A guard looks at two sides as they were found and returns why not, or None. They are asked in this order, when the copy
is planned and again once both sides are open and held, since a path may have moved in between.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from drivecare.documents import Value
from drivecare.errors import Refused
from drivecare.reading.identity import compare
from drivecare.reading.model import Drive
from drivecare.transfer.sectors.receipt import End


class Endpoint(Value, frozen=True, kw_only=True):
    """One side of a copy as it was found.

    `same`: marks that this side shares with any other name of the same thing (device number, inode, backing file).
    `overwrite_ids`: what may be typed after --allow-overwrite. `content`: what makes it look used, None where it looks
    empty. `drive`: what the drive itself said, where it could be asked; `assessed`: what the job's reading says of the
    drive that is copied. `table_sector_bytes`: the sector size its own
    partition table counts in, where one was found.
    """

    end: End
    exists: bool = True
    loop: bool = False
    same: tuple[str, ...] = ()
    in_use: tuple[str, ...] = ()
    system: bool = False
    read_only: bool = False
    content: str | None = None
    overwrite_ids: tuple[str, ...] = ()
    drive: Drive | None = None
    assessed: Drive | None = None
    table_sector_bytes: int | None = None
    disk_sequence: int | None = None

    @property
    def is_device(self) -> bool:
        """Whether it is a block device, not an image file."""
        return self.end.kind == "device"


class Consent(Value, frozen=True, kw_only=True):
    """What the user typed that a guard may ask about."""

    allow_overwrite: str | None = None
    acknowledged: tuple[str, ...] = ()
    resuming: bool = False


Guard = Callable[[Endpoint, Endpoint, Consent], str | None]

UNMOUNT = (
    "Unmount it first, and switch automounting off in the desktop before a customer's drive is plugged in: "
    "even a read-only mount can write to a drive"
)


def source_in_use(source: Endpoint, _: Endpoint, __: Consent) -> str | None:
    """A mount, even a read-only one, can replay a journal while we read."""
    return f"the source is in use: {'; '.join(source.in_use)}. {UNMOUNT}" if source.in_use else None


def target_in_use(_: Endpoint, target: Endpoint, __: Consent) -> str | None:
    """Nor is a target written that something else holds."""
    return f"the target is in use: {'; '.join(target.in_use)}. {UNMOUNT}" if target.in_use else None


def system_drive(_: Endpoint, target: Endpoint, __: Consent) -> str | None:
    """This machine runs from it."""
    return "this machine runs from the target. Name another one" if target.system else None


def same_drive(source: Endpoint, target: Endpoint, _: Consent) -> str | None:
    """Two names of one thing: by device number, inode, backing file, WWN, or serial number and model."""
    shared = set(source.same) & set(target.same)
    if not shared and compare(source.end, target.end) != "yes":
        return None
    return "source and target are the same thing under two names. Name another target"


def target_read_only(_: Endpoint, target: Endpoint, __: Consent) -> str | None:
    """The kernel or the file's rights say so."""
    if not target.read_only:
        return None
    return "the target is read-only. Look for a write-protect switch, or name another target"


def target_smaller(source: Endpoint, target: Endpoint, _: Consent) -> str | None:
    """To the byte: a drive of the same label may be smaller by some sectors."""
    missing = source.end.size_bytes - target.end.size_bytes
    if not target.is_device or missing <= 0:
        return None
    return f"the target is smaller than the source by {missing:,} bytes. Take a larger one"


def sector_size(source: Endpoint, target: Endpoint, _: Consent) -> str | None:
    """Partition tables and file systems count in logical sectors; on another sector size they do not start."""
    way_out = "Take a dock and a target with the drive's own sector size"
    own = source.drive.logical_sector_bytes if source.drive is not None else None
    attached = source.end.logical_sector_bytes
    if source.is_device and own is not None and attached is not None and own != attached:
        return f"the source has sectors of {own} bytes and this dock shows it with {attached}. {way_out}"
    counted = source.table_sector_bytes or (attached if source.is_device else None)
    wanted = target.end.logical_sector_bytes
    if target.is_device and counted is not None and wanted is not None and counted != wanted:
        return f"the source counts in sectors of {counted} bytes, the target in sectors of {wanted}. {way_out}"
    return None


def source_locked(source: Endpoint, _: Endpoint, __: Consent) -> str | None:
    """A locked drive answers reads with errors or with nothing of use."""
    if source.drive is None or source.drive.security != "locked":
        return None
    return "the source is locked by a password (ATA security). Have its owner unlock it first"


def source_size(source: Endpoint, _: Endpoint, wishes: Consent) -> str | None:
    """A dock may show part of a drive, a drive may hide part of itself, and a path may be that of something else."""
    if "size" in wishes.acknowledged:
        return None
    shown = source.end.size_bytes
    for drive, whose in ((source.drive, "the drive itself has"), (source.assessed, "the job's reading of it says")):
        whole = drive.whole_bytes if drive is not None else None
        if whole is not None and whole != shown:
            return (
                f"the source shows {shown:,} bytes, {whose} {whole:,}. Look at the path and take another dock; if this "
                "is all that can be copied, add --acknowledge size: the receipt tells, and the gate asks for the "
                "customer's word"
            )
    return None


def target_not_empty(_: Endpoint, target: Endpoint, wishes: Consent) -> str | None:
    """Overwriting takes the serial number, or the file's path, typed."""
    if target.content is None or wishes.resuming:
        return None
    if wishes.allow_overwrite is not None and wishes.allow_overwrite in target.overwrite_ids:
        return None
    wrong = "" if wishes.allow_overwrite is None else f", and {wishes.allow_overwrite!r} is not its name"
    if not target.overwrite_ids:
        return f"the target is not empty ({target.content}) and nothing names it. Take another target"
    by_path = not target.is_device or target.overwrite_ids[0].startswith("/")
    what = "path" if by_path else "serial number"
    return (
        f"the target is not empty ({target.content}){wrong}. If all on it may go, type its {what}: "
        f"--allow-overwrite {target.overwrite_ids[0]}"
    )


def other_target(_: Endpoint, target: Endpoint, wishes: Consent) -> str | None:
    """A name was typed that is not this target's: whoever typed it means another one, even where this one is empty."""
    typed = wishes.allow_overwrite
    if typed is None or typed in target.overwrite_ids or wishes.resuming:
        return None
    goes_by = f" goes by {target.overwrite_ids[0]}" if target.overwrite_ids else " has no name to go by"
    way_out = "Look at `drivecare drives`, then name the one you mean"
    return f"{typed!r} is not the target: {target.end.path}{goes_by}. {way_out}"


def weak_identity(_: Endpoint, target: Endpoint, wishes: Consent) -> str | None:
    """Behind a bridge that hides the drive's number, the number typed may be the dock's, whatever drive is in it."""
    if target.content is None or not target.is_device or target.loop or wishes.resuming:
        return None
    if target.end.identity.strength == "strong" or "weak-identity" in wishes.acknowledged:
        return None
    return (
        "the dock hides the target's own serial number, so the number typed may be the dock's. Look at the drive's "
        "label; if it is the right one, add --acknowledge weak-identity, which the receipt will tell"
    )


# What a user may answer with --acknowledge; everything else has to be changed.
ACKNOWLEDGEABLE = ("weak-identity", "size")

GUARDS: dict[str, Guard] = {
    "source-in-use": source_in_use,
    "target-in-use": target_in_use,
    "system-drive": system_drive,
    "same-drive": same_drive,
    "source-locked": source_locked,
    "size": source_size,
    "target-read-only": target_read_only,
    "target-smaller": target_smaller,
    "sector-size": sector_size,
    "target-not-empty": target_not_empty,
    "other-target": other_target,
    "weak-identity": weak_identity,
}


def check(source: Endpoint, target: Endpoint, wishes: Consent) -> None:
    """Ask every guard. Raises Refused with the name of the first that says no."""
    for name, guard in GUARDS.items():
        reason = guard(source, target, wishes)
        if reason is not None:
            what, _, hint = reason.partition(". ")
            raise Refused(what, guard=name, location=None, hint=hint or None)


def answered(source: Endpoint, target: Endpoint, wishes: Consent) -> tuple[str, ...]:
    """The guards that the user answered by name and that would have refused: the receipt tells of these."""
    silent = msgspec.structs.replace(wishes, acknowledged=())
    return tuple(
        name for name in ACKNOWLEDGEABLE if name in wishes.acknowledged and GUARDS[name](source, target, silent)
    )


def check_unmoved(planned: Endpoint, opened: Endpoint) -> None:
    """Between plan and open: is this path still the same thing? Raises Refused."""
    if (planned.same, planned.end, planned.disk_sequence) != (opened.same, opened.end, opened.disk_sequence):
        raise Refused(
            "is no longer what it was when the copy was planned",
            guard="path-moved",
            location=planned.end.path,
            hint="Look at `drivecare drives`, then start again",
        )


def same_end(was: End, is_: End) -> bool:
    """Whether both describe one medium, met at two times: by identity; by size where there is none."""
    if was.kind != is_.kind or was.size_bytes != is_.size_bytes:
        return False
    answer = compare(was, is_)
    if answer != "unknown":
        return answer == "yes"
    return was.serial is None or is_.serial is None or was.serial == is_.serial
