"""The process that touches one medium, so that a call that never comes back takes nothing else with it.

Run by path, not imported: `python -I -S worker.py SOCKET MEMORY DIRECT BUFFERED RESTORE`, four open descriptors and
whether to make the medium writable again at the end. It serves one request at a time and ends when its socket is
closed, whether the program finished or was killed; then it restores the source's read-only flag.

A request is (operation, offset, position, length): R read, W write, S sync, P punch a hole, D drop the cache. The
answer is the number of bytes, or minus the error number.

Every copy starts four of these, so it imports little: `ctypes` only to punch a hole, `contextlib` and `socket` not at
all.
"""

import fcntl
import mmap
import os
import struct
import sys

REQUEST = struct.Struct("<cQQQ")
ANSWER = struct.Struct("<q")

# linux/fs.h and linux/falloc.h
BLKROSET, BLKFLSBUF = 0x125D, 0x1261
FALLOC_FL_KEEP_SIZE, FALLOC_FL_PUNCH_HOLE = 1, 2


def punch(descriptor: int, offset: int, length: int) -> int:
    """Deallocate part of a file; it reads as zeros afterwards."""
    import ctypes

    libc = ctypes.CDLL(None, use_errno=True)
    mode = FALLOC_FL_KEEP_SIZE | FALLOC_FL_PUNCH_HOLE
    if libc.fallocate(descriptor, mode, ctypes.c_int64(offset), ctypes.c_int64(length)) != 0:
        raise OSError(ctypes.get_errno(), "fallocate")
    return length


def drop(descriptor: int) -> int:
    """Empty this machine's cache of the medium."""
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    try:  # noqa: SIM105  see above
        fcntl.ioctl(descriptor, BLKFLSBUF, 0)
    except OSError:
        pass  # a file, or not permitted: the advice above stands
    return 0


def serve(request: bytes, memory: memoryview, direct: int, buffered: int) -> int:
    """Carry out one request. Raises OSError."""
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


def answer(request: bytes, memory: memoryview, direct: int, buffered: int) -> bytes:
    """Carry out a request and pack its result."""
    try:
        return ANSWER.pack(serve(request, memory, direct, buffered))
    except OSError as error:
        return ANSWER.pack(-(error.errno or 5))


def serve_until_closed() -> None:
    """Serve until the other end of the socket is closed, or dies with an answer still unread."""
    channel, shared, direct, buffered, restore = (int(argument) for argument in sys.argv[1:])
    memory = memoryview(mmap.mmap(shared, 0))
    try:
        while request := os.read(channel, REQUEST.size):
            os.write(channel, answer(request, memory, direct, buffered))
    except OSError:
        pass  # nobody waits for an answer any more
    os.close(channel)
    if restore:
        fcntl.ioctl(direct, BLKROSET, struct.pack("i", 0))


if __name__ == "__main__":
    serve_until_closed()
