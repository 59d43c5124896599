"""A real terminal (a pseudo-terminal of the kernel) with a person at it who types when asked."""

from __future__ import annotations

import fcntl
import os
import select
import subprocess
import sys
import termios
import time
from pathlib import Path

CTRL_C, CTRL_D = "\x03", "\x04"


def at_terminal(*words: str | Path, prompt: str, typed: str, cwd: Path) -> tuple[int, str]:
    """The exit code and the screen of a command at which, once it shows `prompt`, somebody types `typed`."""
    ours, theirs = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "drivecare", *map(str, words)],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=cwd,
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # Ctrl-C reaches it as in a shell
    )
    os.close(theirs)
    screen, asked, until = "", False, time.monotonic() + 90
    try:
        while time.monotonic() < until:
            ready, _, _ = select.select([ours], [], [], 1)
            if not ready:
                continue
            try:
                screen += os.read(ours, 4096).decode()
            except OSError:  # EIO: everybody at the other end has gone
                break
            if not asked and prompt in screen:
                asked = True
                time.sleep(0.1)  # it has to be waiting: what is typed earlier is another thing
                os.write(ours, typed.encode())
        return process.wait(timeout=60), screen.replace("\r\n", "\n")
    finally:
        process.kill()
        process.wait()
        os.close(ours)
