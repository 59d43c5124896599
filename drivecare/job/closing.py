"""Closing a job: did the unit start, what became of the old drive and of every copy of the customer's data."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.exit_codes import ExitCode
from drivecare.job.commands import gate_command, show_command
from drivecare.job.copies import CustomerCopy
from drivecare.job.customer_notes import NoteKept
from drivecare.job.job_state import JobState
from drivecare.job.model import Closing, ImageFate, ImageLeft, OldDriveFate
from drivecare.storage import remove_file
from drivecare.transfer.files.bag_removal import remove_bag
from drivecare.transfer.files.file_system import FileSystem

_KEPT = ("names", "note")  # stay unless they are forgotten, and the closing says so


class GateShut(Refused):
    """The refusal to close a job as done while its gate is shut."""

    exit_code = ExitCode.GATE_SHUT


def parse_fates(pairs: Sequence[tuple[str, str]]) -> dict[Path, ImageFate]:
    """Parse PATH FATE pairs as a person types them. Raises BadInput for an unknown fate."""
    fates: dict[Path, ImageFate] = {}
    for path, fate in pairs:
        if fate == "kept":
            fates[Path(path).absolute()] = "kept"
        elif fate == "handed-over":
            fates[Path(path).absolute()] = "handed-over"
        else:
            raise BadInput(
                f"{fate!r} is not a fate of an image", location=path, hint="Say kept or handed-over, or use --forget."
            )
    return fates


def match_fates(copies: Sequence[CustomerCopy], fates: Mapping[Path, ImageFate]) -> dict[Path, ImageFate]:
    """Give each fate the path of the copy that is meant, however its folder was typed.

    Raises BadInput for a path that is not a copy of the job. A link in a copy's place is not followed.
    """
    shown = {_in_resolved_folder(copy.path): copy.path for copy in copies}
    matched: dict[Path, ImageFate] = {}
    for path, fate in fates.items():
        copy_path = path if path in shown.values() else shown.get(_in_resolved_folder(path))
        if copy_path is None:
            listed = ", ".join(str(copy.path) for copy in copies) or "none"
            raise BadInput("is not a copy that this job made", location=str(path), hint=f"It made: {listed}.")
        matched[copy_path] = fate
    return matched


def _in_resolved_folder(path: Path) -> Path:
    return path.parent.resolve() / path.name


def check_closing(
    job: JobState,
    copies: Sequence[CustomerCopy],
    files: FileSystem,
    *,
    anyway: str | None,
    forget: bool,
    fates: Mapping[Path, ImageFate],
) -> None:
    """Refuse to close a job too early: BadInput if what is to be forgotten is not its own, GateShut if it is shut."""
    if job.closing is not None:
        raise BadInput("is already closed", location=f"job {job.id}", hint=show_command(job))
    for copy in removable_copies(copies, fates) if forget else ():
        check_removable(copy, files)
    if not job.gate.open and not anyway:
        hint = f"See {gate_command(job)}, or say why with --anyway REASON."
        raise GateShut("the gate is shut", guard="gate-shut", location=f"job {job.id}", hint=hint)


def check_removable(copy: CustomerCopy, files: FileSystem) -> None:
    """Refuse to remove what may not be the copy that the job made. Raises BadInput."""
    reason = copy.why_another(files)
    if reason is not None:
        hint = f"It is left alone: look at it, then remove it yourself or say what becomes of it. {_say_fate(copy)}."
        raise BadInput(reason, location=str(copy.path), hint=hint)


def fate_unsaid(copy: CustomerCopy) -> BadInput:
    """Make the error for a copy whose fate nobody said and nobody is there to ask for."""
    problem = f"it was not said what becomes of this {copy.noun}"
    return BadInput(problem, location=str(copy.path), hint=f"{_say_fate(copy)}, or --forget.")


def _say_fate(copy: CustomerCopy) -> str:
    return f"Give --image {copy.path} kept|handed-over"


def undecided_copies(copies: Sequence[CustomerCopy], fates: Mapping[Path, ImageFate]) -> tuple[CustomerCopy, ...]:
    """Select the copies still there whose fate a person has to say; names and notes stay unless they are forgotten."""
    return tuple(copy for copy in removable_copies(copies, fates) if copy.kind not in _KEPT)


def removable_copies(copies: Sequence[CustomerCopy], fates: Mapping[Path, ImageFate]) -> tuple[CustomerCopy, ...]:
    """Select the copies that --forget would remove: those still there whose fate was not said."""
    return tuple(copy for copy in copies if copy.path not in fates and copy.exists)


def remove_copy(copy: CustomerCopy, files: FileSystem) -> tuple[str, ...]:
    """Remove a copy, durably, and return the names of files in a bag that are not the bag's: those stay.

    The copy is checked once more: whatever took its place since it was shown is left alone. Removing frees the space
    and does not overwrite the medium.
    """
    reason = copy.why_another(files)
    if reason is not None:
        raise Unavailable(f"{reason}, so it is not removed", location=str(copy.path))
    if copy.kind == "bag":
        return remove_bag(files, copy.path)
    if copy.kind != "note":  # its words the closing itself erases, in whichever store they are
        remove_file(copy.path)
    return ()


def make_closing(
    job: JobState,
    copies: Sequence[CustomerCopy],
    *,
    unit_started: bool,
    old_drive: OldDriveFate,
    fates: Mapping[Path, ImageFate],
    removed: tuple[Path, ...] = (),
    anyway: str | None = None,
    note: str | None = None,
    at: str,
    by: str | None = None,
) -> Closing:
    """Make the record of how a job ended, with the fate of every copy of the customer's data.

    A copy that an earlier closing removed, before the job was reopened, was removed and is not just gone.
    """
    erased = [copy.proof.fact.number for copy in copies if isinstance(copy.proof, NoteKept) and copy.path in removed]
    folder = job.folder.absolute()
    earlier = [image for closing in job.withdrawn(Closing) for image in closing.document.images]
    removed = (
        *removed,
        # Where the words of a note are said to lie differs from bench to bench.
        *(
            folder / Path(image.path).name if image.kind == "note" else Path(image.path)
            for image in earlier
            if image.fate == "removed"
        ),
    )
    images = tuple(
        ImageLeft(
            path=os.fspath(copy.path),
            fate=fates.get(copy.path) or _fate_unsaid(copy, removed),
            kind=copy.kind,
        )
        for copy in copies
    )
    return Closing(
        at=at,
        by=by,
        unit_started=unit_started,
        old_drive=old_drive,
        images=images,
        erased=tuple(erased),
        gate_open=job.gate.open,
        anyway=anyway,
        note=note,
    )


def _fate_unsaid(copy: CustomerCopy, removed: Sequence[Path]) -> ImageFate:
    if copy.path in removed:
        return "removed"
    return "kept" if copy.kind in _KEPT and copy.exists else "gone"
