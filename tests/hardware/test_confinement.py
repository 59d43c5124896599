"""What a parser that was taken over can still reach: nothing but the bytes it was given to parse."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

# Each line is tried by a confined process that wants to get out; all must fail. `open` of a device that every machine
# has, of a file of everybody, of one made anew; a socket; a signal to everyone; a program; another process; memory
# that could hold a program; becoming root again; leaving the empty root.
WAYS_OUT = {
    "open a file": "os.open('/etc/passwd', os.O_RDONLY)",
    "open a device": "os.open('/dev/zero', os.O_RDONLY)",
    "make a file": "os.open('loot', os.O_CREAT | os.O_WRONLY)",
    "list a folder": "os.listdir('/')",
    "look for a file": "os.stat('/etc/passwd')",
    "connect": "socket.socket(socket.AF_INET, socket.SOCK_STREAM)",
    "connect locally": "socket.socketpair()",
    "signal": "os.kill(os.getppid(), 0)",
    "start a program": "os.execv('/bin/true', ['true'])",
    "fork": "os.fork()",
    "execute memory": "mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)",
    "become root": "os.setuid(0)",
    "leave the root": "os.chroot('.')",
    "change folder": "os.chdir('/')",
    "write to the medium": "os.write(0, b'x')",
    "more files": "os.dup(0)",
    "more memory": "bytearray(2 << 30)",
    "trace": "ctypes.CDLL(None).ptrace(0, 0, 0, 0) == 0 or print('refused', 1 / 0)",
}

PROGRAM = """
import ctypes, mmap, os, pyseccomp, socket, sys
from drivecare.hardware.confinement import confine
if sys.argv[1] == "user" and os.geteuid() == 0:
    os.setgroups([]); os.setresgid(65533, 65533, 65533); os.setresuid(65533, 65533, 65533)
lacking = confine(open_files=2)
assert lacking == "", lacking
lines = []
for name, attempt in WAYS_OUT.items():
    try:
        eval(attempt)
    except (OSError, MemoryError, ZeroDivisionError):
        continue
    lines.append(name)
content = os.pread(0, 5, 0)
os.write(1, repr((lines, content)).encode())
os._exit(0)
"""


@pytest.mark.promise(9)
@pytest.mark.parametrize("person", ["user", pytest.param("root", marks=pytest.mark.bench)])
def test_no_way_leads_out(person: str) -> None:
    if person == "root" and os.geteuid() != 0:
        pytest.skip("needs root")
    with open("/etc/hostname", "rb") as medium:
        done = subprocess.run(
            [sys.executable, "-c", f"WAYS_OUT = {WAYS_OUT!r}\n{PROGRAM}", person],
            stdin=medium,
            capture_output=True,
            timeout=60,
        )
        expected = os.pread(medium.fileno(), 5, 0)
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    assert eval(done.stdout) == ([], expected)
