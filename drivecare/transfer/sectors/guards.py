"""What must hold before a target is written: one function per guard, each with its name.

A guard looks at both ends as they were examined and returns its objection, or None. They are asked in the order of
`GUARDS`, when the copy is planned and again once both ends are open and held, since a path may have moved in between.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import msgspec

from drivecare.documents import Value
from drivecare.errors import Refused
from drivecare.reading.identity import DriveId, compare
from drivecare.reading.model import Drive
from drivecare.transfer.sectors.receipt import End


class Endpoint(Value, frozen=True, kw_only=True):
    """One end of a copy as it was examined, with all that a guard asks about.

    `marks`: what it shares with any other name of the same thing (device number, inode, backing file).
    `overwrite_ids`: what may be typed after --allow-overwrite. `content`: what makes it look used, None where it looks
    empty. `drive`: what the drive itself said, where it could be asked; `assessed`: what the job's reading says of the
    drive that belongs here. `table_sector_bytes`: the sector size its own partition table counts in, if it has one.
    """

    end: End
    exists: bool = True
    loop: bool = False
    marks: tuple[str, ...] = ()
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
    """What the user agreed to, so far as a guard asks about it. `until_used`: part of the target is not written."""

    allow_overwrite: str | None = None
    acknowledged: tuple[str, ...] = ()
    until_used: bool = False
    resuming: bool = False


@dataclass(frozen=True)
class Objection:
    """Why a guard refuses, and what to do about it."""

    reason: str
    hint: str


Guard = Callable[[Endpoint, Endpoint, Consent], Objection | None]

_UNMOUNT = (
    "Unmount it first, or let what uses it finish, and switch automounting off in the desktop before a customer's "
    "drive is plugged in: even a read-only mount can write to a drive"
)


def source_in_use(source: Endpoint, _: Endpoint, __: Consent) -> Objection | None:
    """A mount, even a read-only one, can replay a journal while we read."""
    if not source.in_use:
        return None
    return Objection(f"the source is in use: {'; '.join(source.in_use)}", _UNMOUNT)


def target_in_use(_: Endpoint, target: Endpoint, __: Consent) -> Objection | None:
    """Nothing is written to a target that something else holds."""
    if not target.in_use:
        return None
    return Objection(f"the target is in use: {'; '.join(target.in_use)}", _UNMOUNT)


def system_drive(_: Endpoint, target: Endpoint, __: Consent) -> Objection | None:
    """This machine runs from it."""
    return Objection("this machine runs from the target", "Name another one") if target.system else None


def same_drive(source: Endpoint, target: Endpoint, _: Consent) -> Objection | None:
    """Two names of one thing: by device number, inode, backing file, WWN, or serial number and model."""
    if not set(source.marks) & set(target.marks) and compare(source.end, target.end) != "yes":
        return None
    return Objection("source and target are the same thing under two names", "Name another target")


def target_read_only(_: Endpoint, target: Endpoint, __: Consent) -> Objection | None:
    """The kernel or the file's permissions say so."""
    if not target.read_only:
        return None
    return Objection("the target is read-only", "Look for a write-protect switch, or name another target")


def target_smaller(source: Endpoint, target: Endpoint, _: Consent) -> Objection | None:
    """To the byte: a drive of the same label may be smaller by some sectors."""
    missing = source.end.size_bytes - target.end.size_bytes
    if not target.is_device or missing <= 0:
        return None
    return Objection(f"the target is smaller than the source by {missing:,} bytes", "Take a larger one")


def sector_size(source: Endpoint, target: Endpoint, _: Consent) -> Objection | None:
    """Partition tables and file systems count in logical sectors; on another sector size they do not start."""
    hint = "Take a dock and a target with the drive's own sector size"
    own = source.drive.logical_sector_bytes if source.drive is not None else None
    attached = source.end.logical_sector_bytes
    if source.is_device and own is not None and attached is not None and own != attached:
        return Objection(f"the source has sectors of {own} bytes and this dock shows it with {attached}", hint)
    counted = source.table_sector_bytes or (attached if source.is_device else None)
    offered = target.end.logical_sector_bytes
    if target.is_device and counted is not None and offered is not None and counted != offered:
        return Objection(f"the source counts in sectors of {counted} bytes, the target in sectors of {offered}", hint)
    return None


def source_locked(source: Endpoint, _: Endpoint, __: Consent) -> Objection | None:
    """A locked drive answers reads with errors or with nothing of use."""
    if source.drive is None or source.drive.security != "locked":
        return None
    return Objection("the source is locked by a password (ATA security)", "Have its owner unlock it first")


def other_drive(source: Endpoint, target: Endpoint, consent: Consent) -> Objection | None:
    """A copy of another drive than the job's, or to another one, would take its hours and not count."""
    if "other-drive" in consent.acknowledged:
        return None
    for end, whose in ((source, "the customer's drive"), (target, "the new drive")):
        if end.is_device and end.assessed is not None and compare(end.end, end.assessed) == "no":
            return Objection(
                f"{end.end.path} is {DriveId.of(end.end)}, but {whose} of this job is {DriveId.of(end.assessed)}",
                "Look at `drivecare drives` and name the right one; if this one is meant all the same, add "
                "--acknowledge other-drive: the receipt will say so, and the gate will not count it",
            )
    return None


def source_size(source: Endpoint, _: Endpoint, consent: Consent) -> Objection | None:
    """A dock may show part of a drive, a drive may hide part of itself, and a path may be that of something else."""
    if "size" in consent.acknowledged:
        return None
    shown = source.end.size_bytes
    for drive, whose in ((source.drive, "the drive itself has"), (source.assessed, "the job's reading of it says")):
        whole = drive.whole_bytes if drive is not None else None
        if whole is not None and whole != shown:
            return Objection(
                f"the source shows {shown:,} bytes, {whose} {whole:,}",
                "Look at the path and take another dock; if this is all that can be copied, add --acknowledge size: "
                "the receipt will say so, and the gate will ask for the customer's consent",
            )
    return None


def target_keeps(_: Endpoint, target: Endpoint, consent: Consent) -> Objection | None:
    """What somebody left on a drive stays where nothing is written, and would go along to this customer."""
    if not consent.until_used or not target.is_device or target.content is None or consent.resuming:
        return None
    return Objection(
        f"the target is not empty ({target.content}), and --until used leaves that where it passes over",
        "Copy all of the source, or take a target that was erased",
    )


def target_not_empty(_: Endpoint, target: Endpoint, consent: Consent) -> Objection | None:
    """Overwriting takes the serial number, or the file's path, typed."""
    if target.content is None or consent.resuming:
        return None
    if consent.allow_overwrite is not None and consent.allow_overwrite in target.overwrite_ids:
        return None
    if not target.overwrite_ids:
        return Objection(f"the target is not empty ({target.content}) and nothing names it", "Take another target")
    mistyped = "" if consent.allow_overwrite is None else f", and {consent.allow_overwrite!r} is not its name"
    by_path = not target.is_device or target.overwrite_ids[0].startswith("/")
    # What is to be typed is never printed: whoever copies it from the screen has not looked at the drive.
    name = "--allow-overwrite FILE, its path" if by_path else "--allow-overwrite SERIAL, the number on its label"
    return Objection(f"the target is not empty ({target.content}){mistyped}", f"If all on it may go, add {name}")


def other_target(_: Endpoint, target: Endpoint, consent: Consent) -> Objection | None:
    """A name was typed that is not this target's: whoever typed it means another one, even where this one is empty."""
    typed = consent.allow_overwrite
    if typed is None or typed in target.overwrite_ids or consent.resuming:
        return None
    return Objection(
        f"--allow-overwrite names {typed!r}, which is not the target {target.end.path}",
        "Look at the drive's label and at `drivecare drives`, then name the one you mean",
    )


def weak_identity(_: Endpoint, target: Endpoint, consent: Consent) -> Objection | None:
    """Behind a bridge that hides the drive's number, the number typed may be the dock's, whatever drive is in it."""
    if target.content is None or not target.is_device or target.loop or consent.resuming:
        return None
    if target.end.identity.strength == "strong" or "weak-identity" in consent.acknowledged:
        return None
    return Objection(
        "the dock hides the target's own serial number, so the number typed may be the dock's",
        "Look at the drive's label; if it is the right one, add --acknowledge weak-identity, which the receipt "
        "will record",
    )


# What a user may answer with --acknowledge; everything else has to be changed.
ACKNOWLEDGEABLE = ("weak-identity", "size", "other-drive")

GUARDS: dict[str, Guard] = {
    "source-in-use": source_in_use,
    "target-in-use": target_in_use,
    "system-drive": system_drive,
    "same-drive": same_drive,
    "source-locked": source_locked,
    "other-drive": other_drive,
    "size": source_size,
    "target-read-only": target_read_only,
    "target-smaller": target_smaller,
    "sector-size": sector_size,
    "target-keeps": target_keeps,
    "target-not-empty": target_not_empty,
    "other-target": other_target,
    "weak-identity": weak_identity,
}


def check_guards(source: Endpoint, target: Endpoint, consent: Consent) -> None:
    """Ask every guard. Raises Refused with the name of the first that says no."""
    for name, guard in GUARDS.items():
        objection = guard(source, target, consent)
        if objection is not None:
            raise Refused(objection.reason, guard=name, hint=objection.hint)


def check_apart(targets: Sequence[Endpoint]) -> None:
    """Raise Refused where two targets of one copy are the same thing. An image yet to be made has but a path."""
    for first, second in combinations(targets, 2):
        same_image = not (first.is_device or second.is_device) and set(first.overwrite_ids) & set(second.overwrite_ids)
        if same_image or set(first.marks) & set(second.marks):
            raise Refused(
                "both targets are the same thing", guard="same-drive", location=second.end.path, hint="Name another one"
            )


def answered_guards(source: Endpoint, target: Endpoint, consent: Consent) -> tuple[str, ...]:
    """The guards that would have refused and that the user answered by name: the receipt lists these."""
    silent = msgspec.structs.replace(consent, acknowledged=())
    return tuple(
        name for name in ACKNOWLEDGEABLE if name in consent.acknowledged and GUARDS[name](source, target, silent)
    )


def check_unmoved(planned: Endpoint, opened: Endpoint) -> None:
    """Raise Refused where a path no longer leads to what was planned."""
    if (planned.marks, planned.end, planned.disk_sequence) != (opened.marks, opened.end, opened.disk_sequence):
        raise Refused(
            "has changed since the copy was planned",
            guard="path-moved",
            location=planned.end.path,
            hint="Look at `drivecare drives`, then start again",
        )


def same_end(recorded: End, present: End) -> bool:
    """Tell whether both describe one medium, met at two times: by its names; where they do not tell, by size alone."""
    if recorded.kind != present.kind or recorded.size_bytes != present.size_bytes:
        return False
    answer = compare(recorded, present)
    if answer != "unknown":
        return answer == "yes"
    return None in (recorded.serial, present.serial) or recorded.serial == present.serial
