"""Copy a folder's files into a bag and prove them by reading them back.

Order: everything the target could not hold is found first; then files are copied (`copy_entries.py`); then every file
of the target is read back past the cache; then the manifests are written.

This file works on the file system through `os`, which is its port: tests give it real trees.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from drivecare import __version__
from drivecare.clock import Clock
from drivecare.documents import encode
from drivecare.errors import Interrupted, Refused, Unavailable
from drivecare.format import join_some
from drivecare.storage import close_folder, create_folder
from drivecare.transfer.files import bag, metadata
from drivecare.transfer.files.anchored_folder import HeldFolder, WrongKind, kind_of
from drivecare.transfer.files.bag import BagReceipt, BagVerification, FileNote, TreeEnd, shown
from drivecare.transfer.files.bag_check import BagProof, read_payload, unlisted
from drivecare.transfer.files.bag_journal import BagJournal
from drivecare.transfer.files.copy_entries import FileCopy, copy_entries, finish_folders, place_of, size_of
from drivecare.transfer.files.survey import (
    Abilities,
    Tree,
    cannot_hold,
    hold_source,
    needed_characters,
    survey,
    try_target,
)
from drivecare.transfer.medium import Watch

_LISTED = 8


def copy_files(
    source: Path,
    target: Path,
    *,
    clock: Clock,
    resume: bool = False,
    ends: tuple[TreeEnd, TreeEnd] | None = None,
    watch: Watch | None = None,
    job: str | None = None,
) -> BagReceipt:
    """Copy `source` into a new bag at `target`; the receipt is also written into the bag.

    `ends` says what is known of both file systems and the drives below, `job` whose copy
    this is.
    Raises Refused before the first byte, Interrupted midway (resume with `resume=True`), BadInput, Unavailable.
    """
    started = clock.timestamp()
    ends = ends or (TreeEnd(path=str(source)), TreeEnd(path=str(target)))
    _refuse_nested(source, target)
    with contextlib.ExitStack() as held:
        origin = held.enter_context(hold_source(source))
        tree = survey(origin)
        _refuse_no_files(tree, source)
        folder, abilities, journal = _begin(tree, target, ends[1].file_system, resume=resume)
        held.callback(folder.close)
        held.callback(journal.close)
        run = FileCopy(
            tree=tree,
            source=origin,
            bag=folder,
            abilities=abilities,
            journal=journal,
            watch=watch or Watch(),
            total=sum(entry.size_bytes for entry in tree.files),
            left_out={
                path: reason
                for path, reason in tree.left_out
                if os.fsdecode(bag.stored_path(path)) not in journal.finished
            },
        )
        try:
            copy_entries(run)
            return _finish(run, ends, started, clock, job)
        except OSError as error:
            raise _interrupted(error, target) from error


def _begin(
    tree: Tree, target: Path, file_system: str | None, *, resume: bool
) -> tuple[HeldFolder, Abilities, BagJournal]:
    """Hold the bag's folder and its journal once nothing speaks against the copy; otherwise leave all as it was."""
    with contextlib.ExitStack() as undo:
        try:
            _make_folder(target, undo)
            folder = undo.enter_context(HeldFolder.hold(target))
            journal = BagJournal.find(folder, tree.root) if resume else None
            if journal is not None:
                undo.callback(journal.close)
                _refuse_strays(folder, tree, journal)
            elif folder.names(b""):
                hint = "Name a new folder, or go on with --resume where a copy was begun there."
                raise Refused(
                    "the target folder is not empty", guard="target-not-empty", location=str(target), hint=hint
                )
            abilities = try_target(folder.anchor, needed_characters(tree), file_system=file_system)
            if journal is None or not journal.finished:
                _refuse_misfits(tree, abilities)
            close_folder(folder.descriptor)
            journal = journal or BagJournal.begin(folder, tree.root)
        except OSError as error:
            if isinstance(error, WrongKind) and error.kind == "a link":
                hint = "Name the folder itself."
                raise Refused("is a link", guard="link-in-bag", location=str(target), hint=hint) from error
            hint = "Name a folder on a mounted file system that you may write to."
            raise Unavailable(f"cannot be written to: {error.strerror}", location=str(target), hint=hint) from error
        undo.pop_all()
    return folder, abilities, journal


def _make_folder(target: Path, undo: contextlib.ExitStack) -> None:
    """Make the bag's folder where it is missing; `undo` takes it away again."""
    missing = [folder for folder in (target, *target.parents) if not os.path.lexists(folder)]
    for folder in reversed(missing):
        create_folder(folder)
        undo.callback(_remove_folder, folder)


def _remove_folder(folder: Path) -> None:
    with contextlib.suppress(OSError):
        folder.rmdir()


def _refuse_nested(source: Path, target: Path) -> None:
    origin, place = source.resolve(), target.resolve()
    if origin == place or origin in place.parents or place in origin.parents:
        raise Refused("source and target lie inside each other", guard="nested", location=str(target))


def _refuse_no_files(tree: Tree, source: Path) -> None:
    """An empty folder is most often one where the drive is not mounted, and a copy of it would prove nothing."""
    if tree.files:
        return
    hint = "Check that the customer's drive is mounted there. Nothing was written."
    what = "there is no file to copy"
    if tree.left_out:
        path, reason = tree.left_out[0]
        what += f"; not taken: {shown(path)}, {reason}"
        what += f"; and {len(tree.left_out) - 1:,} more" if len(tree.left_out) > 1 else ""
    raise Refused(what, guard="source-empty", location=str(source), hint=hint)


def _refuse_misfits(tree: Tree, abilities: Abilities) -> None:
    misfits = list(cannot_hold(tree, abilities))
    if misfits:
        raise Refused(
            f"the target cannot hold what the source has: {join_some(misfits, _LISTED, '; ')}",
            guard="target-cannot-hold",
            hint="Nothing was written. Use a target with another file system, or more room.",
        )


def _refuse_strays(folder: HeldFolder, tree: Tree, journal: BagJournal) -> None:
    """Whoever resumes a copy meant what that copy made: nothing else in data/ is written through or removed."""
    own = {place_of(entry): entry.shape for entry in tree.entries}
    for stored in journal.finished:
        path = b"data/" + os.fsencode(stored)
        own.setdefault(path, "file")
        while path := path.rpartition(b"/")[0]:
            own.setdefault(path, "folder")
    own[b"data"] = "folder"
    kinds = {"a folder": "folder", "a file": "file", "a link": "symlink"}
    strays = []
    for path, info in _contents(folder):
        if isinstance(info, OSError):
            raise Unavailable(
                f"cannot be looked at: {info.strerror}", location=f"{folder.path}/{shown(path)}"
            ) from info
        kind = kind_of(info)
        if own.get(path) != kinds.get(kind) or (stat.S_ISDIR(info.st_mode) and info.st_dev != folder.device):
            strays.append(f"{shown(path)} ({kind})")
    if strays:
        hint = "Nothing was changed. Move that out of the bag, then go on with --resume."
        what = f"the bag holds what this copy did not put there: {join_some(strays, _LISTED, '; ')}"
        raise Refused(what, guard="not-of-this-copy", location=str(folder.path), hint=hint)


def _contents(folder: HeldFolder) -> Iterator[tuple[bytes, os.stat_result | OSError]]:
    """data/ and all that lies in it; nothing where it was not made yet."""
    try:
        info = folder.status(b"data")
    except FileNotFoundError:
        return
    yield b"data", info
    if stat.S_ISDIR(info.st_mode):
        yield from folder.walk(b"data")


def _interrupted(error: OSError, target: Path) -> Interrupted:
    what = "the target is full" if error.errno in (errno.ENOSPC, errno.EDQUOT) else f"stopped: {error.strerror}"
    return Interrupted(what, location=str(target), hint="What was copied is kept: mend it, then go on with --resume.")


def _payload(run: FileCopy) -> dict[str, str]:
    """Path in the bag -> digest: what the source has and the bag holds, and what an earlier session took from it.

    A failing drive may no longer show a file that was copied an hour ago; that copy stays.
    """
    entries = {os.fsdecode(entry.stored): entry for entry in run.tree.entries}
    payload = {}
    for path, copied in run.journal.finished.items():
        entry = entries.get(path)
        if entry is None:
            kept = size_of(run.bag, b"data/" + os.fsencode(path)) == copied.bytes
        else:
            kept = entry.shape != "folder" and entry.path not in run.left_out
        if kept:
            payload[f"data/{path}"] = copied.sha256
    return payload


def _finish(run: FileCopy, ends: tuple[TreeEnd, TreeEnd], started: str, clock: Clock, job: str | None) -> BagReceipt:
    payload = _payload(run)
    finish_folders(run)
    proof = read_payload(run.bag, payload, lambda done: run.tell("reading back", done))
    if proof.nothing_read:
        raise OSError(errno.EIO, "no file of the bag can be read back")
    proof.take(unlisted(dict(_contents(run.bag)), payload, run.bag))
    manifest = bag.manifest(payload.items())
    bytes_total = sum(run.journal.finished[path.removeprefix("data/")].bytes for path in payload)
    tags = {
        "bagit.txt": bag.BAGIT_TXT,
        "bag-info.txt": bag.bag_info(
            files=len(payload), bytes_total=bytes_total, date=started, agent=f"drivecare {__version__}"
        ),
        bag.MANIFEST: manifest,
        bag.ENTRIES: b"".join(metadata.entry_line(entry) for entry in run.tree.entries),
    }
    finished = clock.timestamp()
    receipt = BagReceipt(
        source=ends[0],
        target=ends[1],
        files=len(payload),
        bytes_total=bytes_total,
        manifest_sha256=bag.sha256(manifest),
        left_out=tuple(FileNote(name=shown(path), reason=reason) for path, reason in run.left_out.items()),
        mismatched=tuple(proof.mismatched),
        missing=tuple(proof.missing),
        target_unreadable=tuple(proof.unreadable),
        not_kept=tuple(_not_kept(run)),
        renamed=tuple(
            FileNote(name=shown(entry.path), reason=f"stored as {os.fsdecode(entry.stored)}")
            for entry in run.tree.entries
            if entry.stored != entry.path
        ),
        verified=proof.agrees,
        verification=BagVerification(method=proof.method, at=finished) if proof.agrees else None,
        notices=tuple(_notices(run, payload, proof)),
        started=started,
        finished=finished,
        tool_version=__version__,
        job=job,
    )
    for name, content in tags.items():
        run.bag.save(os.fsencode(name), content)
    run.bag.save(os.fsencode(bag.RECEIPT), encode(receipt))
    tag_digests = ((name, bag.sha256(content)) for name, content in tags.items())
    run.bag.save(os.fsencode(bag.TAG_MANIFEST), bag.manifest(tag_digests))
    again = (*proof.mismatched, *proof.missing, *proof.unreadable)
    run.journal.end(run.tree.root, (note.name.removeprefix("data/") for note in again))
    run.bag.flush(b"")
    return receipt


def _not_kept(run: FileCopy) -> Iterator[FileNote]:
    """What of an entry in the bag is not set there: withheld on purpose, or refused by the target."""
    for entry in run.tree.entries:
        if entry.path in run.left_out or entry.shape == "symlink":
            continue
        copied = run.journal.finished.get(os.fsdecode(entry.stored))
        lost = run.lost.get(entry.stored, ()) if copied is None else copied.not_kept
        reasons = (*(f"{name} (recorded, not set)" for name in metadata.withheld_from(entry)), *lost)
        if reasons:
            yield FileNote(name=shown(entry.path), reason=", ".join(reasons))


def _notices(run: FileCopy, payload: dict[str, str], proof: BagProof) -> Iterator[str]:
    entries = run.tree.entries
    if run.source.device == run.bag.device:
        yield "source and target lie on one file system: this is no copy to fall back on if that drive fails"
    if os.fstat(run.bag.descriptor).st_mode & 0o077:
        yield "others on this machine can open the bag's folder: its file system or its owner does not let it be closed"
    if earlier := len(payload.keys() - {f"data/{os.fsdecode(entry.stored)}" for entry in entries}):
        yield f"{earlier:,} files copied in an earlier session can no longer be seen in the source; they are in the bag"
    if not run.keeps_owners and any((entry.uid, entry.gid) != run.bag.owner for entry in entries):
        yield f"everything in the bag belongs to the bag's owner; whose it was is recorded in {bag.ENTRIES}"
    if labelled := sum(map(metadata.has_label, entries)):
        yield f"the policy labels (security.selinux) of {labelled:,} entries are recorded in {bag.ENTRIES}, not set"
    if proof.mismatched or proof.missing or proof.unreadable:
        yield "copy again with --resume to write what differs anew; if it comes back, the target is faulty"
