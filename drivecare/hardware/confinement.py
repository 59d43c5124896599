"""Give up every privilege before a stranger's bytes are parsed: what the kernel then still lets this process do.

    no new privileges   always (prctl(2))
    limits              memory, processor time, open files, processes, no file may grow, no core dump (setrlimit(2))
    system calls        only those below (seccomp(2), by libseccomp)
    as root besides     an empty root folder, another user, no groups

Everything must be imported before. Nothing here can be undone.
"""

from __future__ import annotations

import ctypes
import errno
import os
import resource
import tempfile
from typing import Any

MEMORY_BYTES = 1 << 30
PROCESSOR_SECONDS = 600
NOBODY = 65534  # Debian Policy 9.2.2: the user without rights of its own

_PR_SET_NO_NEW_PRIVS, _PR_SET_DUMPABLE = 38, 4  # linux/prctl.h
_PROT_EXEC = 4  # asm-generic/mman-common.h

# What reading a descriptor, writing the answer, and Python's own memory and threads need. No name of a file is among
# them: nothing can be opened, started, connected to, or signalled.
_ALLOWED = (
    *("read", "pread64", "lseek", "write", "close", "munmap", "mremap", "brk", "madvise", "futex"),
    *("rt_sigreturn", "rt_sigprocmask", "clock_gettime", "getrandom", "exit", "exit_group", "restart_syscall"),
)
_WITHOUT_EXECUTION = ("mmap", "mprotect")  # allowed where the memory may not be executed; the third argument says so


def lacking_measure() -> str:
    """The measure that this machine lacks, and why; "" where none is."""
    return _load_filters()[1]


def _load_filters() -> tuple[Any, str]:
    """The library of the list of system calls, None where it does not load, and what is lacking then."""
    try:
        import pyseccomp
    except (ImportError, RuntimeError, OSError) as error:
        return None, f"the list of allowed system calls is not in force: {error}"
    return pyseccomp, ""


def confine(*, open_files: int) -> str:
    """Confine this process for good; `open_files` descriptors, counted from 0, stay. Returns what could not be had.

    Raises OSError where a measure fails that every Linux of the last ten years has.
    """
    filters, lacking = _load_filters()  # before there is an empty root
    os.closerange(open_files, 65536)
    libc = ctypes.CDLL(None, use_errno=True)
    if os.geteuid() == 0:
        _leave_root()
    _limit(open_files)
    for option, value in ((_PR_SET_DUMPABLE, 0), (_PR_SET_NO_NEW_PRIVS, 1)):
        if libc.prctl(option, value, 0, 0, 0) != 0:
            raise OSError(ctypes.get_errno(), "prctl")
    if filters is None:
        return lacking
    try:
        _filter(filters)
    except OSError as error:
        return f"the list of allowed system calls is not in force: {error.strerror}"
    return ""


def _leave_root() -> None:
    """An empty root folder that is gone from every other place, then another user without groups."""
    folder = tempfile.mkdtemp(prefix="drivecare-empty-")
    os.chdir(folder)
    os.rmdir(folder)  # noqa: PTH106
    os.chroot(".")
    os.setgroups([])
    os.setresgid(NOBODY, NOBODY, NOBODY)
    os.setresuid(NOBODY, NOBODY, NOBODY)


def _limit(open_files: int) -> None:
    for limit, value in (
        (resource.RLIMIT_AS, MEMORY_BYTES),
        (resource.RLIMIT_CPU, PROCESSOR_SECONDS),
        (resource.RLIMIT_NOFILE, open_files),
        (resource.RLIMIT_NPROC, 0),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        resource.setrlimit(limit, (value, value))


def _filter(pyseccomp) -> None:  # type: ignore[no-untyped-def]
    """Load the list; any other call fails with EPERM."""
    filters = pyseccomp.SyscallFilter(pyseccomp.ERRNO(errno.EPERM))
    for name in _ALLOWED:
        filters.add_rule(pyseccomp.ALLOW, name)
    for name in _WITHOUT_EXECUTION:
        filters.add_rule(pyseccomp.ALLOW, name, pyseccomp.Arg(2, pyseccomp.MASKED_EQ, _PROT_EXEC, 0))
    filters.load()
