"""Put the entries of a surveyed tree into a bag: each file digested as it is read, flushed, and only then journalled.

Nothing is read from outside the source or written outside the bag, whatever is swapped meanwhile: see `Folder`. A file
that cannot be read, or changes while it is copied, is left out and listed.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import stat
from dataclasses import dataclass, field

from drivecare.errors import Interrupted
from drivecare.transfer.files import bag
from drivecare.transfer.files.bag import display_path
from drivecare.transfer.files.bag_journal import BagJournal, CopiedFile
from drivecare.transfer.files.file_system import Abilities, Folder, OpenEntry
from drivecare.transfer.files.metadata import apply_metadata
from drivecare.transfer.files.survey import SourceTree, TreeEntry
from drivecare.transfer.medium import Progress, Watch

_READ_BYTES = 4 << 20
_FATAL = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENODEV, errno.ENXIO, errno.ESHUTDOWN)


@dataclass(kw_only=True, slots=True)
class FileCopy:
    """One running copy."""

    tree: SourceTree
    source: Folder
    bag: Folder
    abilities: Abilities
    journal: BagJournal
    watch: Watch
    total: int
    done: int = 0
    left_out: dict[bytes, str] = field(default_factory=dict)
    """Path in the source -> why."""
    refused_of_folders: dict[bytes, tuple[str, ...]] = field(default_factory=dict)
    """Stored path of a folder -> what of its metadata the target did not take."""

    def report(self, phase: str, done: int) -> None:
        """Report progress. Raises Interrupted where somebody asked to stop."""
        self.watch.on_progress(Progress(phase, done, self.total))
        if reason := self.watch.stop_reason():
            raise Interrupted(reason, hint="What was copied is kept: continue with --resume.")

    def advance(self, count: int) -> None:
        """Report so many bytes more as copied."""
        self.done += count
        self.report("copying", self.done)


def copy_entries(run: FileCopy) -> None:
    """Copy folders and files, parents first, then the links among them.

    An earlier session may have left a folder write-protected, as the source has it: made again, it is open to us.
    """
    run.bag.make_folder(b"data")
    originals: dict[int, TreeEntry] = {}
    for entry in run.tree.entries:
        if entry.shape == "folder":
            run.bag.make_folder(entry.bag_path)
        elif entry.shape == "file":
            _copy_or_link(run, entry, originals)
    run.journal.flush()
    folders = {entry.path for entry in run.tree.entries if entry.shape == "folder"} | {b"."}
    for entry in run.tree.entries:
        if entry.shape == "symlink":
            _keep_link(run, entry, folders)


def finish_folders(run: FileCopy) -> None:
    """Set the metadata of folders: children first, once nothing in them changes any more, for that moves their time."""
    for entry in reversed(run.tree.entries):
        if entry.shape == "folder":
            with contextlib.ExitStack() as stack:
                copy = stack.enter_context(run.bag.open_folder(entry.bag_path))
                source: OpenEntry | None = None
                with contextlib.suppress(OSError):  # readable no more
                    source = stack.enter_context(run.source.open_folder(entry.path))
                refused = apply_metadata(entry, source, copy, keep_owner=run.bag.keeps_owners)
                run.refused_of_folders[entry.stored] = refused


def _copy_or_link(run: FileCopy, entry: TreeEntry, originals: dict[int, TreeEntry]) -> None:
    """Bring one file into the bag, unless an earlier session did. `originals`: each file's first name, by inode."""
    path = entry.bag_path
    earlier = run.journal.finished.get(os.fsdecode(entry.stored))
    if earlier and earlier.is_still(entry) and file_size(run.bag, path) == entry.size_bytes:
        originals.setdefault(entry.inode, entry)
        run.advance(entry.size_bytes)
        return
    run.bag.remove(path)  # what an earlier run left may be a second name of another file
    original = originals.get(entry.inode) if entry.links > 1 else None
    if original is not None and run.abilities.hard_links:
        run.bag.link_file(original.bag_path, path)
        run.journal.flush()
        copied = run.journal.finished[os.fsdecode(original.stored)]
        run.journal.add(path, CopiedFile.of(entry, copied.sha256, copied.not_kept))
        run.advance(entry.size_bytes)
        return
    copied_whole = () if original is None else (f"hard link to {display_path(original.path)}: copied whole",)
    copy = _copy_file(run, entry, path)
    if copy is not None:
        digest, refused = copy
        originals.setdefault(entry.inode, entry)
        run.journal.add(path, CopiedFile.of(entry, digest, refused + copied_whole))


def file_size(folder: Folder, path: bytes) -> int | None:
    """The size of a regular file; None where there is none."""
    try:
        info = folder.status(path)
    except OSError:
        return None
    return info.st_size if stat.S_ISREG(info.st_mode) else None


def _copy_file(run: FileCopy, entry: TreeEntry, path: bytes) -> tuple[str, tuple[str, ...]] | None:
    """Copy one file; its digest, and what the target did not take. None, and a remark, where it is not copied whole."""
    before = run.done
    try:
        source = run.source.open_file(entry.path)
    except OSError as error:
        _raise_if_source_gone(run, error)
        _leave_out(run, entry, path, before, f"could not be opened: {error.strerror}")
        return None
    with source, run.bag.create_file(path) as copy:
        digest = _copy_content(run, source, copy, entry.size_bytes)
        if digest is not None and _is_unchanged(entry, source.status()):
            return digest, apply_metadata(entry, source, copy, keep_owner=run.bag.keeps_owners)
    reason = "a part of it could not be read" if digest is None else "changed while it was copied"
    _leave_out(run, entry, path, before, reason)
    return None


def _is_unchanged(entry: TreeEntry, info: os.stat_result) -> bool:
    surveyed = (entry.size_bytes, entry.mtime_ns, entry.ctime_ns, entry.inode)
    return (info.st_size, info.st_mtime_ns, info.st_ctime_ns, info.st_ino) == surveyed


def _leave_out(run: FileCopy, entry: TreeEntry, path: bytes, before: int, reason: str) -> None:
    run.bag.remove(path)
    run.left_out[entry.path] = reason
    run.done = before
    run.advance(entry.size_bytes)


def _raise_if_source_gone(run: FileCopy, error: OSError) -> None:
    """One unreadable file is left out; a source that is no longer attached stops the copy."""
    if error.errno in _FATAL or not run.source.is_attached:
        raise OSError(errno.ENODEV, "the drive of the source is no longer there") from error


def _copy_content(run: FileCopy, source: OpenEntry, copy: OpenEntry, size: int) -> str | None:
    """Copy at most `size` bytes (a file may grow for ever), zeros as holes, digest all. None where reading fails."""
    digest = hashlib.sha256()
    offset = 0
    while offset < size:
        try:
            block = source.read(min(_READ_BYTES, size - offset), offset)
        except OSError as error:
            _raise_if_source_gone(run, error)
            return None
        if not block:
            break
        digest.update(block)
        is_hole = run.abilities.sparse and not block.strip(b"\0")  # given its length below
        if not is_hole:
            copy.write(block, offset)
        offset += len(block)
        run.advance(len(block))
    copy.set_length(offset)
    return digest.hexdigest()


def _keep_link(run: FileCopy, entry: TreeEntry, folders: set[bytes]) -> None:
    """Keep a link that names something inside the bag, as the shortest way there; list any other.

    Its destination is worked out in the source by reading links alone; in the bag nothing is followed.
    """
    assert entry.link_target is not None
    run.bag.remove(entry.bag_path)
    goal = run.source.resolve_link(entry.path)
    stored_goal = os.fsdecode(bag.stored_path(goal))
    file_goal = run.journal.finished.get(stored_goal) if goal not in run.left_out else None
    inside = not os.path.isabs(entry.link_target) and goal.split(b"/")[0] != b".."
    if not inside or not (file_goal or goal in folders):
        reason = f"symbolic link to {display_path(entry.link_target)}: leads nowhere inside the copied folder"
        run.left_out[entry.path] = reason
        return
    if not run.abilities.symlinks:
        run.left_out[entry.path] = "symbolic link: the target cannot keep them"
        return
    destination = os.path.normpath(b"/data/" + os.fsencode(stored_goal))
    run.bag.make_link(os.path.relpath(destination, os.path.dirname(b"/" + entry.bag_path)), entry.bag_path)
    if file_goal:  # readers of bags follow it and want a manifest line
        run.journal.finished[os.fsdecode(entry.stored)] = file_goal
