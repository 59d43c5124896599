"""Closing a job: did the unit start, what became of the old drive and of every copy of the customer's data."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from drivecare.errors import BadInput, Refused, Unavailable
from drivecare.job.case import Case
from drivecare.job.gate import judge
from drivecare.job.model import Closing, ImageFate, ImageLeft, OldDrive
from drivecare.storage import sync_folder


class GateShut(Refused):
    """A job was to be closed as done while its gate is shut."""

    exit_code = 40


def images_made(case: Case) -> tuple[Path, ...]:
    """Copies of the customer's drive in files that this job's receipts name, whether still there or not.

    Only what this job wrote: an image that was brought in as a source is not ours to remove.
    """
    made = (one.document.target for one in case.receipts if one.document.target.kind == "image")
    return tuple(dict.fromkeys(Path(end.path) for end in made))


def read_fates(pairs: Sequence[tuple[str, str]]) -> dict[Path, ImageFate]:
    """PATH FATE pairs as a person types them. Raises BadInput for a fate that is none."""
    fates: dict[Path, ImageFate] = {}
    for path, fate in pairs:
        if fate == "kept":
            fates[Path(path).absolute()] = "kept"
        elif fate == "handed-over":
            fates[Path(path).absolute()] = "handed-over"
        else:
            raise BadInput(
                f"{fate!r} is no fate of an image", where=path, hint="Say kept or handed-over, or use --forget."
            )
    return fates


def still_there(image: Path) -> bool:
    """Whether the image is a file of its own; a link or a device is never taken for one."""
    return image.is_file() and not image.is_symlink()


def check_closing(case: Case, *, anyway: str | None, forget: bool, fates: Mapping[Path, ImageFate]) -> None:
    """Refuse what must not be closed yet: BadInput where a copy's fate is not said, GateShut where the gate is shut."""
    if case.closing is not None:
        raise BadInput(
            "is closed already", where=f"job {case.id}", hint=case.command("job", "show", case.id, job=False)
        )
    stray = [path for path in fates if path not in images_made(case)]
    if stray:
        made = ", ".join(str(path) for path in images_made(case)) or "none"
        raise BadInput("is no image of this job", where=str(stray[0]), hint=f"Its receipts name: {made}.")
    if not forget:
        for path in images_made(case):
            if path not in fates and still_there(path):
                hint = f"Give --image {path} kept|handed-over, or --forget."
                raise BadInput("what becomes of this image was not said", where=str(path), hint=hint)
    if not judge(case).open and not anyway:
        hint = f"See {case.command('gate', case.id, job=False)}, or say why with --anyway REASON."
        raise GateShut("the gate is shut", guard="gate-shut", where=f"job {case.id}", hint=hint)


def to_forget(case: Case, fates: Mapping[Path, ImageFate]) -> tuple[Path, ...]:
    """The images that forgetting would remove: those still there whose fate was not said."""
    return tuple(path for path in images_made(case) if path not in fates and still_there(path))


def forget(image: Path) -> None:
    """Remove an image's file, durably. It removes the name and frees the space; it does not overwrite the medium."""
    try:
        image.unlink()
        sync_folder(image.parent)
    except OSError as error:
        raise Unavailable(f"cannot be removed: {error.strerror}", where=str(image)) from error


def make_closing(
    case: Case,
    *,
    unit_started: bool,
    old_drive: OldDrive,
    fates: Mapping[Path, ImageFate],
    removed: tuple[Path, ...] = (),
    anyway: str | None = None,
    note: str | None = None,
    at: str,
    by: str | None = None,
) -> Closing:
    """The record of the end, with the fate of every image."""
    images = tuple(
        ImageLeft(path=os.fspath(path), fate="removed" if path in removed else fates.get(path, "gone"))
        for path in images_made(case)
    )
    return Closing(
        at=at,
        by=by,
        unit_started=unit_started,
        old_drive=old_drive,
        images=images,
        gate_open=judge(case).open,
        anyway=anyway,
        note=note,
    )
