"""A file or folder by its descriptor: the machine's side of `OpenEntry` in transfer/files/file_system.py."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import hashlib
import mmap
import os
from collections.abc import Callable

from drivecare.hardware.in_use import find_user
from drivecare.transfer.files.file_system import CacheBypass, HeldOpen

_BUFFER_BYTES = 4 << 20
_COARSEST_TIME_NS = 2_000_000_000  # FAT counts in steps of two seconds


class HeldEntry(HeldOpen):
    """See `OpenEntry`."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor

    def close(self) -> None:
        os.close(self.descriptor)

    def status(self) -> os.stat_result:
        return os.fstat(self.descriptor)

    def read(self, count: int, offset: int) -> bytes:
        return os.pread(self.descriptor, count, offset)

    def digest_past_cache(self, advance: Callable[[int], None]) -> tuple[str, CacheBypass]:
        """Read with O_DIRECT, or where that is refused after dropping the cached pages."""
        method: CacheBypass = "direct"
        try:
            fcntl.fcntl(self.descriptor, fcntl.F_SETFL, os.O_DIRECT)
        except OSError:  # this file system has no direct reads
            method = self._drop_cached_pages()
        digest, offset = hashlib.sha256(), 0
        with mmap.mmap(-1, _BUFFER_BYTES) as buffer, memoryview(buffer) as view:  # O_DIRECT wants whole pages
            while True:
                try:
                    count = os.preadv(self.descriptor, [buffer], offset)
                except OSError as error:
                    if error.errno != errno.EINVAL or method != "direct":
                        raise
                    method = self._drop_cached_pages()  # it accepted O_DIRECT and cannot do it
                    continue
                if not count:
                    return digest.hexdigest(), method
                digest.update(view[:count])
                offset += count
                advance(count)

    def _drop_cached_pages(self) -> CacheBypass:
        fcntl.fcntl(self.descriptor, fcntl.F_SETFL, 0)
        os.fsync(self.descriptor)  # a dirty page is not dropped
        os.posix_fadvise(self.descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        return "cache-dropped"

    def write(self, data: bytes, offset: int) -> None:
        view = memoryview(data)
        while view:
            count = os.pwrite(self.descriptor, view, offset)
            view, offset = view[count:], offset + count

    def append(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(self.descriptor, view) :]

    def set_length(self, length: int) -> None:
        os.ftruncate(self.descriptor, length)

    def flush(self) -> None:
        os.fsync(self.descriptor)

    def lock(self) -> None:
        """Lock it; a file system without locks lets everybody."""
        try:
            fcntl.flock(self.descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            user = find_user(os.readlink(f"/proc/self/fd/{self.descriptor}"))  # noqa: PTH115
            raise BlockingIOError(error.errno, str(user or "another copy")) from error
        except OSError:
            pass

    def attributes(self) -> dict[str, bytes | None]:
        return read_xattrs(self.descriptor)

    def set_attribute(self, name: str, content: bytes) -> bool:
        try:
            os.setxattr(self.descriptor, name, content)
        except OSError:
            return False
        return True

    def set_owner(self, uid: int, gid: int) -> bool:
        """Set the owner; some file systems keep none."""
        with contextlib.suppress(OSError):
            os.fchown(self.descriptor, uid, gid)
        info = self.status()
        return (info.st_uid, info.st_gid) == (uid, gid)

    def set_mode(self, mode: int) -> bool:
        with contextlib.suppress(OSError):
            os.fchmod(self.descriptor, mode)
        return self.status().st_mode & 0o7777 == mode

    def set_time(self, mtime_ns: int) -> bool:
        os.utime(self.descriptor, ns=(mtime_ns, mtime_ns))
        return abs(self.status().st_mtime_ns - mtime_ns) <= _COARSEST_TIME_NS


def read_xattrs(entry: int | bytes) -> dict[str, bytes | None]:
    """Extended attributes of a descriptor, or of what lies at a path, itself."""
    follow = isinstance(entry, int)
    try:
        names = os.listxattr(entry, follow_symlinks=follow)
    except OSError:
        return {}
    values: dict[str, bytes | None] = dict.fromkeys(names)
    for name in names:
        with contextlib.suppress(OSError):
            values[name] = os.getxattr(entry, name, follow_symlinks=follow)
    return values
