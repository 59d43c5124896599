"""Put the entries of a surveyed tree into a bag: each file digested as it is read, flushed, and only then journalled.

Both ends are reached from descriptors (`beneath.py`), so nothing is read from outside the source or written outside
the bag, whatever is swapped meanwhile. A file that cannot be read, or changes while it is copied, is left out and
listed.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from dataclasses import dataclass, field

from drivecare.errors import Interrupted
from drivecare.transfer.files import bag, metadata
from drivecare.transfer.files.anchored_folder import HeldFolder, attached
from drivecare.transfer.files.bag import shown
from drivecare.transfer.files.bag_journal import BagJournal, CopiedFile
from drivecare.transfer.files.survey import Abilities, Entry, Tree
from drivecare.transfer.medium import Progress, Watch

_BLOCK = 4 << 20
_FATAL = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.ENODEV, errno.ENXIO, errno.ESHUTDOWN)


@dataclass(kw_only=True, slots=True)
class FileCopy:
    """One running copy. `lost`: stored path of a folder -> what of it the target did not take."""

    tree: Tree
    source: HeldFolder
    bag: HeldFolder
    abilities: Abilities
    journal: BagJournal
    watch: Watch
    total: int
    done: int = 0
    left_out: dict[bytes, str] = field(default_factory=dict)  # path -> why
    lost: dict[bytes, tuple[str, ...]] = field(default_factory=dict)

    def tell(self, phase: str, done: int) -> None:
        """Say how far it is. Raises Interrupted where somebody asked to stop."""
        self.watch.on_progress(Progress(phase, done, self.total))
        if reason := self.watch.stop_reason():
            raise Interrupted(reason, hint="What was copied is kept: go on with --resume.")

    @property
    def keeps_owners(self) -> bool:
        """Whether files can belong to whom they belonged: root can do it, and does so in a bag of its own."""
        return os.geteuid() == 0 and self.bag.owner[0] == 0


def place_of(entry: Entry) -> bytes:
    """Where an entry lies in the bag."""
    return b"data/" + entry.stored


def copy_entries(run: FileCopy) -> None:
    """Folders and files, parents first, then the links among them.

    An earlier session may have left a folder write-protected, as the source has it: made again, it is open to us.
    """
    run.bag.make_folder(b"data")
    originals: dict[int, Entry] = {}
    for entry in run.tree.entries:
        if entry.shape == "folder":
            run.bag.make_folder(place_of(entry))
        elif entry.shape == "file":
            _copy_or_link(run, entry, originals)
    run.journal.flush()
    folders = {entry.path for entry in run.tree.entries if entry.shape == "folder"} | {b"."}
    for entry in run.tree.entries:
        if entry.shape == "symlink":
            _keep_link(run, entry, folders)


def finish_folders(run: FileCopy) -> None:
    """Children first, and once nothing comes or goes any more: that would move a folder's time."""
    for entry in reversed(run.tree.entries):
        if entry.shape == "folder":
            copy = run.bag.open_folder(place_of(entry))
            try:
                source = run.source.open_folder(entry.path)
            except OSError:
                source = os.dup(copy)  # its attributes can no longer be read, and so not taken along
            try:
                run.lost[entry.stored] = metadata.apply(entry, source, copy, keep_owner=run.keeps_owners)
            finally:
                os.close(source)
                os.close(copy)


def _copy_or_link(run: FileCopy, entry: Entry, originals: dict[int, Entry]) -> None:
    path = place_of(entry)
    earlier = run.journal.finished.get(os.fsdecode(entry.stored))
    if earlier and earlier.is_still(entry) and size_of(run.bag, path) == entry.size_bytes:
        originals.setdefault(entry.inode, entry)
        _advance(run, entry.size_bytes)
        return
    run.bag.remove(path)  # what an earlier run left may be a second name of another file
    original = originals.get(entry.inode) if entry.links > 1 else None
    if original is not None and run.abilities.hard_links:
        run.bag.link_file(place_of(original), path)
        run.journal.flush()
        copied = run.journal.finished[os.fsdecode(original.stored)]
        run.journal.add(path, CopiedFile.of(entry, copied.sha256, copied.not_kept))
        _advance(run, entry.size_bytes)
        return
    copied_whole = () if original is None else (f"hard link to {shown(original.path)}: copied whole",)
    copy = _copy_file(run, entry, path)
    if copy is not None:
        digest, lost = copy
        originals.setdefault(entry.inode, entry)
        run.journal.add(path, CopiedFile.of(entry, digest, lost + copied_whole))


def size_of(folder: HeldFolder, path: bytes) -> int | None:
    """The size of a regular file; None where there is none."""
    try:
        info = folder.status(path)
    except OSError:
        return None
    return info.st_size if stat.S_ISREG(info.st_mode) else None


def _copy_file(run: FileCopy, entry: Entry, path: bytes) -> tuple[str, tuple[str, ...]] | None:
    """Copy one file; its digest, and what the target did not take. None, and a note, where it is not had whole."""
    before = run.done
    try:
        source = _open_source(run.source, entry.path)
    except OSError as error:
        _raise_where_gone(run, error)
        _leave_out(run, entry, path, before, f"could not be opened: {error.strerror}")
        return None
    try:
        copy = run.bag.create_file(path)
        try:
            digest = _stream(run, source, copy, entry.size_bytes)
            after = os.fstat(source)
            changed = (after.st_size, after.st_mtime_ns, after.st_ctime_ns, after.st_ino) != (
                entry.size_bytes,
                entry.mtime_ns,
                entry.ctime_ns,
                entry.inode,
            )
            if digest is not None and not changed:
                return digest, metadata.apply(entry, source, copy, keep_owner=run.keeps_owners)
        finally:
            os.close(copy)
    finally:
        os.close(source)
    reason = "a part of it could not be read" if digest is None else "changed while it was copied"
    _leave_out(run, entry, path, before, reason)
    return None


def _open_source(source: HeldFolder, path: bytes) -> int:
    try:
        return source.open_file(path, os.O_RDONLY | os.O_NOATIME)
    except PermissionError:  # O_NOATIME is for the owner only
        return source.open_file(path)


def _leave_out(run: FileCopy, entry: Entry, path: bytes, before: int, reason: str) -> None:
    run.bag.remove(path)
    run.left_out[entry.path] = reason
    run.done = before
    _advance(run, entry.size_bytes)


def _raise_where_gone(run: FileCopy, error: OSError) -> None:
    """One unreadable file is left out; a source that is no longer attached stops the copy."""
    if error.errno in _FATAL or not attached(run.tree.device):
        raise OSError(errno.ENODEV, "the drive of the source is no longer there") from error


def _stream(run: FileCopy, source: int, copy: int, size: int) -> str | None:
    """Copy at most `size` bytes (a file may grow for ever), zeros as holes, digest all. None where reading fails."""
    digest = hashlib.sha256()
    offset = 0
    while offset < size:
        try:
            block = os.pread(source, min(_BLOCK, size - offset), offset)
        except OSError as error:
            _raise_where_gone(run, error)
            return None
        if not block:
            break
        digest.update(block)
        if run.abilities.sparse and not block.strip(b"\0"):
            pass  # a hole, given its length below
        else:
            _write_all(copy, block, offset)
        offset += len(block)
        _advance(run, len(block))
    os.ftruncate(copy, offset)
    return digest.hexdigest()


def _write_all(copy: int, block: bytes, offset: int) -> None:
    view = memoryview(block)
    while view:
        written = os.pwrite(copy, view, offset)
        view, offset = view[written:], offset + written


def _advance(run: FileCopy, count: int) -> None:
    run.done += count
    run.tell("copying", run.done)


def _keep_link(run: FileCopy, entry: Entry, folders: set[bytes]) -> None:
    """Keep a link that names something inside the bag, as the shortest way there; list any other.

    What it leads to is worked out in the source by reading links alone; in the bag nothing is followed.
    """
    assert entry.link_target is not None
    place = place_of(entry)
    run.bag.remove(place)
    root = os.path.realpath(run.tree.root)
    goal = os.path.relpath(os.path.realpath(os.path.join(root, entry.path)), root)
    stored_goal = os.fsdecode(bag.stored_path(goal))
    file_goal = run.journal.finished.get(stored_goal) if goal not in run.left_out else None
    inside = not os.path.isabs(entry.link_target) and goal.split(b"/")[0] != b".."
    if not inside or not (file_goal or goal in folders):
        reason = f"symbolic link to {shown(entry.link_target)}: leads nowhere inside the copied folder"
        run.left_out[entry.path] = reason
        return
    if not run.abilities.symlinks:
        run.left_out[entry.path] = "symbolic link: the target keeps none"
        return
    reached = os.path.normpath(b"/data/" + os.fsencode(stored_goal))
    run.bag.make_link(os.path.relpath(reached, os.path.dirname(b"/" + place)), place)
    if file_goal:  # readers of bags follow it and want a manifest line
        run.journal.finished[os.fsdecode(entry.stored)] = file_goal
