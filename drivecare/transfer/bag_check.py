"""Read a bag again, past the host's cache, and compare it with its manifests: after a copy and any time later."""

from __future__ import annotations

import errno
import fcntl
import hashlib
import mmap
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import msgspec

from drivecare.documents import decode, encode, read_bytes
from drivecare.errors import BadInput, Interrupted, Unavailable
from drivecare.storage import write_file
from drivecare.transfer import bag
from drivecare.transfer.bag import BagReceipt, BagVerification, FileNote
from drivecare.transfer.port import Progress, Watch

Method = Literal["direct", "cache-dropped"]

_BLOCK = 4 << 20


def read_payload(
    folder: Path, payload: dict[str, str], progress: Callable[[int], None]
) -> tuple[Method, list[FileNote]]:
    """Read every file of `payload` (path in the bag -> digest); say how, and which disagree or could not be read."""
    method: Method = "direct"
    wrong: list[FileNote] = []
    done = 0

    def advance(count: int) -> None:
        nonlocal done
        done += count
        progress(done)

    for path, expected in payload.items():
        try:
            found, how = _digest_past_cache(folder / path, advance)
        except FileNotFoundError:
            wrong.append(FileNote(name=path, reason="is missing"))
        except OSError as error:
            wrong.append(FileNote(name=path, reason=f"could not be read: {error.strerror}"))
        else:
            method = how if how == "cache-dropped" else method
            if found != expected:
                wrong.append(FileNote(name=path, reason=f"SHA-256 is {found}, the manifest says {expected}"))
    return method, wrong


def _digest_past_cache(path: Path, advance: Callable[[int], None]) -> tuple[str, Method]:
    """SHA-256 of a file as its medium gives it: O_DIRECT, or where that is refused after dropping its cached pages."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)  # a pipe would wait for its writer
    try:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "is no regular file")
        return _digest(descriptor, advance)
    finally:
        os.close(descriptor)


def _digest(descriptor: int, advance: Callable[[int], None]) -> tuple[str, Method]:
    method: Method = "direct"
    try:
        fcntl.fcntl(descriptor, fcntl.F_SETFL, os.O_DIRECT)
    except OSError:  # this file system has no direct reads
        method = _past_cached_pages(descriptor)
    digest, offset = hashlib.sha256(), 0
    with mmap.mmap(-1, _BLOCK) as buffer, memoryview(buffer) as view:
        while True:
            try:
                count = os.preadv(descriptor, [buffer], offset)
            except OSError as error:
                if error.errno != errno.EINVAL or method != "direct":
                    raise
                method = _past_cached_pages(descriptor)  # it said it had, and has not
                continue
            if not count:
                return digest.hexdigest(), method
            digest.update(view[:count])
            offset += count
            advance(count)


def _past_cached_pages(descriptor: int) -> Method:
    fcntl.fcntl(descriptor, fcntl.F_SETFL, 0)
    os.fsync(descriptor)  # a dirty page is not dropped
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    return "cache-dropped"


def check_bag(folder: Path, *, at: str, watch: Watch | None = None) -> tuple[BagReceipt | None, list[FileNote]]:
    """Check a bag whole: tag files, every payload file, nothing extra. Returns its receipt and what is wrong.

    Where a bag of ours agrees, its receipt tells when; otherwise it stays as it is. One made elsewhere has none: None.
    Raises BadInput where there is no bag, Interrupted where somebody asked to stop.
    """
    if not (folder / "bagit.txt").is_file():
        hint = "A copy that was interrupted is gone on with: drivecare copy-files ... --resume"
        raise BadInput("is no BagIt bag: it has no bagit.txt", where=str(folder), hint=hint)
    payload = _manifest_of(folder / bag.MANIFEST)
    total = sum((folder / path).stat().st_size for path in payload if (folder / path).is_file())

    following = watch or Watch()

    def tell(done: int) -> None:
        following.tell(Progress("reading back", done, total))
        if reason := following.stop():
            raise Interrupted(reason, where=str(folder), hint="Nothing was changed: verify it again.")

    wrong = list(_wrong_tags(folder))
    method, differing = read_payload(folder, payload, tell)
    wrong += differing
    wrong += [
        FileNote(name=name, reason="is in data/ but in no manifest") for name in _files_below(folder) - set(payload)
    ]
    receipt = _receipt_of(folder)
    if receipt is None:
        return None, wrong
    if bag.sha256(read_bytes(folder / bag.MANIFEST)) != receipt.manifest_sha256:
        wrong.append(FileNote(name=bag.MANIFEST, reason="is not the one the receipt was made for"))
    verification = None if wrong else BagVerification(method=method, at=at)
    receipt = msgspec.structs.replace(receipt, verified=not wrong, verification=verification, mismatched=tuple(wrong))
    if not wrong:
        receipt = _brought_up_to_date(folder / bag.RECEIPT, receipt)
    return receipt, wrong


def _brought_up_to_date(path: Path, receipt: BagReceipt) -> BagReceipt:
    """Put the receipt into the bag; where that cannot be written, the receipt in hand says so."""
    try:
        write_file(path, encode(receipt), replace=True)
    except Unavailable as error:
        notice = f"{path}: {error.what}, so this verification stands only here"
        return msgspec.structs.replace(receipt, notices=(*receipt.notices, notice))
    return receipt


def _manifest_of(path: Path) -> dict[str, str]:
    return dict(bag.parse_manifest(read_bytes(path, limit_bytes=1 << 32), origin=str(path)))


def _wrong_tags(folder: Path) -> list[FileNote]:
    listed = folder / bag.TAG_MANIFEST
    if not listed.is_file():  # RFC 8493 section 2.2.1: optional
        return []
    _, wrong = read_payload(folder, _manifest_of(listed), lambda _: None)
    return wrong


def _files_below(folder: Path) -> set[str]:
    top = os.fspath(folder)
    return {
        os.path.relpath(os.path.join(place, name), top)
        for place, _, names in os.walk(folder / "data")
        for name in names
    }


def _receipt_of(folder: Path) -> BagReceipt | None:
    path = folder / bag.RECEIPT
    return decode(BagReceipt, read_bytes(path, limit_bytes=1 << 30), origin=str(path)) if path.is_file() else None
