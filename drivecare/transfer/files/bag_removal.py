"""Remove a bag: exactly the files, links and folders that its copy made, and nothing that came to lie beside them.

What belongs to the bag is what its manifests and its list of entries name. Every step goes by the descriptor of a
folder opened without following links, so that nothing outside the bag is reached whatever lies in it by now.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from drivecare.documents import decode
from drivecare.errors import BadInput, DriveCareError, Unavailable
from drivecare.storage import sync_folder
from drivecare.transfer.files import bag
from drivecare.transfer.files.anchored_folder import HeldFolder, WrongKind
from drivecare.transfer.files.bag import BagReceipt
from drivecare.transfer.files.bag_check import read_tag

_LIMIT_BYTES = 1 << 32
_TAG_FILES = (bag.JOURNAL, bag.TAG_MANIFEST, "bag-info.txt", "bagit.txt", bag.ENTRIES, bag.MANIFEST, bag.RECEIPT)
# What is gone, another thing by now (a link on the way is ELOOP, too), or not empty is left as it is.
_LEFT = (errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.ENOTEMPTY, errno.EEXIST)


def why_another_bag(folder: Path, receipt: BagReceipt) -> str | None:
    """Why what lies at `folder` is not the bag of this receipt; None where it is."""
    try:
        with HeldFolder.hold(folder) as held:
            manifest = read_tag(held, bag.MANIFEST, limit_bytes=_LIMIT_BYTES)
            document = read_tag(held, bag.RECEIPT, limit_bytes=_LIMIT_BYTES)
        own = decode(BagReceipt, document, origin=str(folder / bag.RECEIPT))
    except (WrongKind, FileNotFoundError, NotADirectoryError):
        return "is not a folder"
    except (OSError, DriveCareError):
        return "holds no bag of drivecare any more"
    if bag.sha256(manifest) != receipt.manifest_sha256 or own.started != receipt.started:
        return "holds another bag than the one this job made"
    return None


def remove_bag(folder: Path) -> tuple[str, ...]:
    """Remove the bag durably and return what was left there, by its path in the bag: files that are not the bag's.

    Manifest and receipt go last, so that a removal that was cut short can be done again. Raises BadInput where the bag
    cannot be read, Unavailable where something cannot be removed.
    """
    try:
        with HeldFolder.hold(folder) as held:
            left = _remove_contents(held)
        if not left:
            with contextlib.suppress(OSError):  # the root of a mounted drive stays
                folder.rmdir()
        sync_folder(folder.parent)
    except OSError as error:
        raise Unavailable(f"cannot be removed: {error.strerror}", location=str(folder)) from error
    return left


def _remove_contents(held: HeldFolder) -> tuple[str, ...]:
    listing = read_tag(held, bag.MANIFEST, limit_bytes=_LIMIT_BYTES)
    payload = list(map(os.fsencode, bag.parse_payload_manifest(listing, origin=str(held.path / bag.MANIFEST))))
    links, folders = _entries(held)
    for path in payload:  # the list of entries lacks folders that only an earlier session of the copy saw
        while path := path.rpartition(b"/")[0]:
            folders.add(path)
    for path in sorted(folders):
        _make_writable(held, path)
    for path in (*payload, *links):
        _remove(held, path)
    for path in sorted(folders, key=lambda path: path.count(b"/"), reverse=True):
        with _leaving_others():
            held.remove_folder(path)
    for name in _TAG_FILES:
        _remove(held, os.fsencode(name))
    kept = (path for path, info in held.walk(b"") if isinstance(info, OSError) or not stat.S_ISDIR(info.st_mode))
    return tuple(sorted(map(bag.shown, kept)))


def _entries(held: HeldFolder) -> tuple[list[bytes], set[bytes]]:
    """Links and folders of the payload, as they are stored."""
    links: list[bytes] = []
    folders = {b"data"}
    where = str(held.path / bag.ENTRIES)
    if bag.ENTRIES.encode() not in held.names(b""):  # a removal that was cut short had come so far
        return links, folders
    for number, line in enumerate(read_tag(held, bag.ENTRIES, limit_bytes=_LIMIT_BYTES).splitlines(), 1):
        try:
            entry = json.loads(line)
            stored, shape = os.fsencode(f"data/{entry['stored']}"), entry["shape"]
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            raise BadInput(f"line {number:,} is not an entry of a bag", location=where) from error
        if not {b"", b".", b".."}.isdisjoint(stored.split(b"/")) or b"\0" in stored:
            raise BadInput(f"line {number:,} names a path outside the bag", location=where)
        if shape == "symlink":
            links.append(stored)
        elif shape == "folder":
            folders.add(stored)
    return links, folders


@contextlib.contextmanager
def _leaving_others() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        if error.errno not in _LEFT:
            raise


def _remove(held: HeldFolder, path: bytes) -> None:
    """Remove a name that is no folder's."""
    with _leaving_others():
        if not stat.S_ISDIR(held.status(path).st_mode):
            held.remove(path)


def _make_writable(held: HeldFolder, path: bytes) -> None:
    """Folders keep the mode they had on the customer's drive, and may be write-protected."""
    with contextlib.suppress(OSError):
        descriptor = held.open_folder(path)
        try:
            os.fchmod(descriptor, 0o700)
        finally:
            os.close(descriptor)
