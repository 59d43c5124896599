"""The process that touches one medium, so that a call that never comes back takes nothing else with it.

Run by path, not imported: `python -I -S worker.py SOCKET MEMORY DIRECT BUFFERED RESTORE`, four open descriptors and
whether to make the medium writable again at the end. It serves one request at a time and ends when its socket is
closed, be it that the program finished or was killed; then it gives the source its old read-only flag back.

A request is (operation, offset, position, length): R read, W write, S sync, P punch a hole, D drop the cache. The
answer is the number of bytes, or minus the error number.
"""

import contextlib
import ctypes
import fcntl
import mmap
import os
import socket
import struct
import sys
from collections.abc import Iterator

REQUEST = struct.Struct("<cQQQ")
ANSWER = struct.Struct("<q")

# linux/fs.h and linux/falloc.h
BLKROSET, BLKFLSBUF = 0x125D, 0x1261
FALLOC_FL_KEEP_SIZE, FALLOC_FL_PUNCH_HOLE = 1, 2


def punch(descriptor: int, offset: int, length: int) -> int:
    """Deallocate a stretch of a file; it reads as zeros afterwards."""
    libc = ctypes.CDLL(None, use_errno=True)
    mode = FALLOC_FL_KEEP_SIZE | FALLOC_FL_PUNCH_HOLE
    if libc.fallocate(descriptor, mode, ctypes.c_int64(offset), ctypes.c_int64(length)) != 0:
        raise OSError(ctypes.get_errno(), "fallocate")
    return length


def drop(descriptor: int) -> int:
    """Empty the host's cache of this medium."""
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    with contextlib.suppress(OSError):  # a file, or no right to: the advice above stands
        fcntl.ioctl(descriptor, BLKFLSBUF, 0)
    return 0


def serve(request: bytes, memory: memoryview, direct: int, buffered: int) -> int:
    """Do one request. Raises OSError."""
    operation, offset, position, length = REQUEST.unpack(request)
    place = memory[position : position + length]
    descriptor = buffered if operation.islower() else direct
    match operation.upper():
        case b"R":
            return os.preadv(descriptor, [place], offset)
        case b"W":
            return os.pwritev(descriptor, [place], offset)
        case b"S":
            os.fsync(buffered)
            return 0
        case b"P":
            return punch(buffered, offset, length)
        case b"D":
            return drop(buffered)
    raise OSError(22, "unknown operation")


def requests(program: socket.socket) -> Iterator[bytes]:
    """Requests until the other end is closed, or dies with an answer still unread."""
    with contextlib.suppress(OSError):
        while request := program.recv(REQUEST.size):
            yield request


def main() -> None:
    """Serve until the other end of the socket is closed."""
    channel, shared, direct, buffered, restore = (int(argument) for argument in sys.argv[1:])
    memory = memoryview(mmap.mmap(shared, 0))
    with socket.socket(fileno=channel) as program:
        for request in requests(program):
            try:
                answer = serve(request, memory, direct, buffered)
            except OSError as error:
                answer = -(error.errno or 5)
            with contextlib.suppress(OSError):  # nobody waits for it any more
                program.send(ANSWER.pack(answer))
    if restore:
        fcntl.ioctl(direct, BLKROSET, struct.pack("i", 0))


if __name__ == "__main__":
    main()
