"""The terminal whose last job counts, under sudo too, which gives its command a session and a terminal of its own."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

NOBODY = 65534
# As sudo with use_pty does it (measured on Debian 12): the person's shell; sudo with their real number and the
# effective one of root; itself again, in a session of its own; there the command as root.
AS_UNDER_SUDO = f"""
import os
shell, (dropped, drop) = os.getpid(), os.pipe()
if os.fork():
    os.setreuid({NOBODY}, {NOBODY})
    os.write(drop, b"1")
    os.wait()
    os._exit(0)
os.read(dropped, 1)
os.setreuid({NOBODY}, 0)
if os.fork():
    os.wait()
    os._exit(0)
os.setsid()
if os.fork():
    os.wait()
    os._exit(0)
os.setreuid(0, 0)
os.environ["SUDO_UID"] = "{NOBODY}"
from drivecare.cli.this_terminal import this_session
session = this_session()
print("the shell's" if session is not None and session.number == shell else session)
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root, to become others")
def test_under_sudo_the_terminal_is_that_of_the_shell() -> None:
    """Else `sudo drivecare next` does not know the job that was opened a line before."""
    ours, theirs = os.openpty()
    done = subprocess.run(
        [sys.executable, "-c", AS_UNDER_SUDO],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        timeout=60,
        start_new_session=True,
    )
    os.close(theirs)
    assert (done.returncode, os.read(ours, 4096)) == (0, b"the shell's\r\n")
    os.close(ours)
