"""Copy a folder's files into a bag and prove them by reading them back.

Order: everything the target could not hold is found first; then files are copied (`copy_entries.py`); then every file
of the target is read back past the cache; then the manifests are written.
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
from drivecare.format import format_count, join_some
from drivecare.transfer.file_kinds import kind_of_file
from drivecare.transfer.files import bag, metadata
from drivecare.transfer.files.bag import BagReceipt, BagVerification, FileLeftOut, FileNote, TreeEnd, display_path
from drivecare.transfer.files.bag_check import BagProof, find_unlisted, prove_files
from drivecare.transfer.files.bag_journal import BagJournal
from drivecare.transfer.files.copy_entries import FileCopy, copy_entries, file_size, finish_folders
from drivecare.transfer.files.file_system import Abilities, FileSystem, Folder, WrongKind, entry_kind
from drivecare.transfer.files.survey import (
    SHAPES,
    SourceTree,
    find_misfits,
    needed_characters,
    open_source_folder,
    survey_tree,
)
from drivecare.transfer.medium import Watch

_LISTED = 8


def copy_into_bag(
    source: Path,
    target: Path,
    *,
    files: FileSystem,
    clock: Clock,
    resume: bool = False,
    ends: tuple[TreeEnd, TreeEnd] | None = None,
    watch: Watch | None = None,
    job: str | None = None,
) -> BagReceipt:
    """Copy `source` into a new bag at `target`; the receipt is also written into the bag.

    `ends` says what is known of both file systems and the drives below, `job` whose copy this is.
    Raises Refused before the first byte, Interrupted midway (resume with `resume=True`), BadInput, Unavailable.
    """
    started = clock.timestamp()
    ends = ends or (TreeEnd(path=str(source)), TreeEnd(path=str(target)))
    _refuse_nested(files, source, target)
    with contextlib.ExitStack() as stack:
        origin = stack.enter_context(open_source_folder(files, source))
        tree = survey_tree(origin)
        _refuse_no_files(tree, source)
        folder, abilities, journal = _open_bag(files, tree, target, ends[1].file_system, resume=resume)
        stack.callback(folder.close)
        stack.callback(journal.close)
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
            return _prove(run, ends, started, clock, job)
        except OSError as error:
            raise _as_interruption(error, target) from error


def _open_bag(
    files: FileSystem, tree: SourceTree, target: Path, file_system: str | None, *, resume: bool
) -> tuple[Folder, Abilities, BagJournal]:
    """Open the bag's folder and its journal once nothing speaks against the copy; otherwise leave all as it was."""
    with contextlib.ExitStack() as undo:
        try:
            for missing in files.missing_folders(target):
                files.make_folder(missing)
                undo.callback(files.remove_folder, missing)
            folder = undo.enter_context(files.hold(target))
            journal = BagJournal.load(folder, tree.root) if resume else None
            if journal is not None:
                undo.callback(journal.close)
                _refuse_strays(folder, tree, journal)
            elif folder.names(b""):
                hint = "Name a new folder, or continue with --resume where a copy was begun there."
                raise Refused(
                    "the target folder is not empty", guard="target-not-empty", location=str(target), hint=hint
                )
            abilities = folder.abilities(needed_characters(tree), file_system=file_system)
            if journal is None or not journal.finished:
                _refuse_misfits(tree, abilities)
            folder.close_to_others()
            journal = journal or BagJournal.start(folder, tree.root)
        except OSError as error:
            if isinstance(error, WrongKind) and error.kind == "a link":
                hint = "Name the folder itself."
                raise Refused("is a link", guard="link-in-bag", location=str(target), hint=hint) from error
            hint = "Name a folder on a mounted file system that you may write to."
            raise Unavailable(f"cannot be written to: {error.strerror}", location=str(target), hint=hint) from error
        undo.pop_all()
    return folder, abilities, journal


def _refuse_nested(files: FileSystem, source: Path, target: Path) -> None:
    origin, destination = files.resolve(source), files.resolve(target)
    if origin == destination or origin in destination.parents or destination in origin.parents:
        raise Refused("source and target are inside each other", guard="nested", location=str(target))


def _refuse_no_files(tree: SourceTree, source: Path) -> None:
    """An empty folder is most often one where the drive is not mounted, and a copy of it would prove nothing."""
    if tree.files:
        return
    hint = "Check that the customer's drive is mounted there. Nothing was written."
    problem = "there is no file to copy"
    if tree.left_out:
        path, reason = tree.left_out[0]
        problem += f"; left out: {display_path(path)}, {reason}"
        problem += f"; and {len(tree.left_out) - 1:,} more" if len(tree.left_out) > 1 else ""
    raise Refused(problem, guard="source-empty", location=str(source), hint=hint)


def _refuse_misfits(tree: SourceTree, abilities: Abilities) -> None:
    misfits = list(find_misfits(tree, abilities))
    if misfits:
        raise Refused(
            f"the target cannot hold what the source has: {join_some(misfits, _LISTED, '; ')}",
            guard="target-cannot-hold",
            hint="Nothing was written. Use a target with another file system, or more room.",
        )


def _refuse_strays(folder: Folder, tree: SourceTree, journal: BagJournal) -> None:
    """Whoever resumes a copy meant what that copy made: nothing else in data/ is written through or removed."""
    shapes = {entry.bag_path: entry.shape for entry in tree.entries}
    for stored in journal.finished:
        path = b"data/" + os.fsencode(stored)
        shapes.setdefault(path, "file")
        while path := path.rpartition(b"/")[0]:
            shapes.setdefault(path, "folder")
    shapes[b"data"] = "folder"
    strays = []
    for path, info in _walk_payload(folder):
        name = display_path(path)
        if isinstance(info, OSError):
            raise Unavailable(f"cannot be examined: {info.strerror}", location=f"{folder.path}/{name}") from info
        shape = SHAPES.get(stat.S_IFMT(info.st_mode))
        is_mounted = shape == "folder" and info.st_dev != folder.device
        if shape is None or shape != shapes.get(path) or is_mounted:
            strays.append(f"{name} ({entry_kind(info)})")
    if strays:
        hint = "Nothing was changed. Move that out of the bag, then continue with --resume."
        problem = f"the bag holds what this copy did not put there: {join_some(strays, _LISTED, '; ')}"
        raise Refused(problem, guard="not-of-this-copy", location=str(folder.path), hint=hint)


def _walk_payload(folder: Folder) -> Iterator[tuple[bytes, os.stat_result | OSError]]:
    """data/ and everything in it; nothing where it was not made yet."""
    try:
        info = folder.status(b"data")
    except FileNotFoundError:
        return
    yield b"data", info
    if stat.S_ISDIR(info.st_mode):
        yield from folder.walk(b"data")


def _as_interruption(error: OSError, target: Path) -> Interrupted:
    is_full = error.errno in (errno.ENOSPC, errno.EDQUOT)
    problem = "the target is full" if is_full else f"stopped: {error.strerror}"
    hint = "What was copied is kept: fix this, then continue with --resume."
    return Interrupted(problem, location=str(target), hint=hint)


def _digests_of_payload(run: FileCopy) -> dict[str, str]:
    """Path in the bag -> digest: what the source has and the bag holds, and what an earlier session took from it.

    A failing drive may no longer show a file that was copied an hour ago; that copy stays.
    """
    entries = {os.fsdecode(entry.stored): entry for entry in run.tree.entries}
    payload = {}
    for path, copied in run.journal.finished.items():
        entry = entries.get(path)
        if entry is None:
            is_kept = file_size(run.bag, b"data/" + os.fsencode(path)) == copied.bytes
        else:
            is_kept = entry.shape != "folder" and entry.path not in run.left_out
        if is_kept:
            payload[f"data/{path}"] = copied.sha256
    return payload


def _prove(run: FileCopy, ends: tuple[TreeEnd, TreeEnd], started: str, clock: Clock, job: str | None) -> BagReceipt:
    """Read the copied files back, then write what makes the folder a bag: manifests, list of entries and receipt."""
    payload = _digests_of_payload(run)
    finish_folders(run)
    proof = prove_files(run.bag, payload, lambda done: run.report("reading back", done))
    if proof.nothing_read:
        raise OSError(errno.EIO, "no file of the bag can be read back")
    proof.add(find_unlisted(dict(_walk_payload(run.bag)), payload, run.bag))
    manifest = bag.format_manifest(payload.items())
    finished = clock.timestamp()
    receipt = BagReceipt(
        source=ends[0],
        target=ends[1],
        files=len(payload),
        bytes_total=sum(run.journal.finished[path.removeprefix("data/")].bytes for path in payload),
        manifest_sha256=bag.sha256_hex(manifest),
        left_out=tuple(_note_left_out(path, reason) for path, reason in run.left_out.items()),
        mismatched=tuple(proof.mismatched),
        missing=tuple(proof.missing),
        target_unreadable=tuple(proof.unreadable),
        not_kept=tuple(_notes_on_metadata(run)),
        renamed=tuple(_notes_on_names(run)),
        verified=proof.agrees,
        verification=BagVerification(method=proof.method, at=finished) if proof.agrees else None,
        notices=tuple(_notices(run, payload, proof)),
        started=started,
        finished=finished,
        tool_version=__version__,
        job=job,
    )
    _write_tag_files(run, receipt, manifest)
    again = (*proof.mismatched, *proof.missing, *proof.unreadable)
    run.journal.end(run.tree.root, (note.name.removeprefix("data/") for note in again))
    run.bag.flush(b"")
    return receipt


def _write_tag_files(run: FileCopy, receipt: BagReceipt, manifest: bytes) -> None:
    """Write everything beside data/, the tag manifest last."""
    agent = f"drivecare {__version__}"
    tags = {
        "bagit.txt": bag.BAGIT_TXT,
        "bag-info.txt": bag.bag_info(
            files=receipt.files, bytes_total=receipt.bytes_total, date=receipt.started, agent=agent
        ),
        bag.PAYLOAD_MANIFEST: manifest,
        bag.ENTRY_LIST: b"".join(map(metadata.entry_line, run.tree.entries)),
    }
    digests = [(name, bag.sha256_hex(content)) for name, content in tags.items()]
    tags[bag.BAG_RECEIPT] = encode(receipt)  # verifying updates it, so it has no digest
    tags[bag.TAG_MANIFEST] = bag.format_manifest(digests)
    for name, content in tags.items():
        run.bag.save(os.fsencode(name), content)


def _notes_on_names(run: FileCopy) -> Iterator[FileNote]:
    """The entries that are stored under another spelling."""
    for entry in run.tree.entries:
        if entry.stored != entry.path:
            yield FileNote(name=display_path(entry.path), reason=f"stored as {os.fsdecode(entry.stored)}")


def _notes_on_metadata(run: FileCopy) -> Iterator[FileNote]:
    """What of an entry in the bag is not set there: withheld on purpose, or refused by the target."""
    for entry in run.tree.entries:
        if entry.path in run.left_out or entry.shape == "symlink":
            continue
        copied = run.journal.finished.get(os.fsdecode(entry.stored))
        refused = run.refused_of_folders.get(entry.stored, ()) if copied is None else copied.not_kept
        withheld = (f"{name} (recorded, not set)" for name in metadata.withheld_metadata(entry))
        if reasons := (*withheld, *refused):
            yield FileNote(name=display_path(entry.path), reason=", ".join(reasons))


def _notices(run: FileCopy, payload: dict[str, str], proof: BagProof) -> Iterator[str]:
    entries, folder = run.tree.entries, run.bag.info
    if run.source.device == run.bag.device:
        yield "source and target are on one file system: if that drive fails, both are lost"
    if folder.st_mode & 0o077:
        yield "others on this machine can open the bag's folder: its file system or its owner does not allow closing it"
    if earlier := len(payload.keys() - {f"data/{os.fsdecode(entry.stored)}" for entry in entries}):
        files = format_count(earlier, "file")
        yield f"{files} copied in an earlier session: in the bag, but no longer visible in the source"
    owner = (folder.st_uid, folder.st_gid)
    if not run.bag.keeps_owners and any((entry.uid, entry.gid) != owner for entry in entries):
        yield f"everything in the bag belongs to the bag's owner; the original owners are recorded in {bag.ENTRY_LIST}"
    if labelled := sum(map(metadata.has_label, entries)):
        labels = format_count(labelled, "entry", "entries")
        yield f"the policy labels (security.selinux) of {labels} are recorded in {bag.ENTRY_LIST}, not set"
    if proof.mismatched or proof.missing or proof.unreadable:
        yield "copy again with --resume to rewrite what differs; if it differs again, the target is faulty"


def _note_left_out(path: bytes, reason: str) -> FileLeftOut:
    name = display_path(path)
    return FileLeftOut(name=name, reason=reason, file_kind=kind_of_file(name))
