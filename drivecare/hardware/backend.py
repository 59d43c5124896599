"""The live backend: Debian's smartmontools, called through pySMART's Smartctl object.

pySMART waits for ever, drops what goes to the error stream and strips what is not ASCII, so its one method that runs
the program is replaced here. tests/hardware/test_backend.py notices should pySMART stop calling it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
from collections.abc import Sequence

from pySMART.smartctl import Smartctl

from drivecare.errors import Unavailable
from drivecare.hardware.smart_port import BackendAnswer

SYSTEM_FOLDERS = ("/usr/local/sbin", "/usr/local/bin", "/usr/sbin", "/usr/bin", "/sbin", "/bin")
INSTALL = "Install it: sudo apt install smartmontools."


class LiveBackend:
    """Asks real drives. `program`: path of the backend; None looks for it as `find_program` does."""

    def __init__(self, program: str | None = None) -> None:
        self.program = program or find_program()

    def ask(self, arguments: Sequence[str], *, limit_seconds: float) -> BackendAnswer:
        """Run the backend once. A drive that hangs costs `limit_seconds` and gives an answer without exit status."""
        if self.program is None:
            raise Unavailable("smartmontools, which reads a drive's health, is not installed", hint=INSTALL)
        asking = _Bounded(self.program, limit_seconds)
        try:
            lines, _ = asking.generic_call(list(arguments))
        except OSError as error:
            raise Unavailable(f"cannot be run: {error.strerror}", location=self.program, hint=INSTALL) from error
        return BackendAnswer(text="\n".join(lines), exit_status=asking.exit_status, asked=tuple(arguments))


def find_program(*, is_root: bool | None = None) -> str | None:
    """Path of the backend. Debian keeps it in /usr/sbin, which is not on everyone's search path.

    Root runs only what is in a folder of the system: an inherited search path may name a folder where anybody can
    write. Nobody runs what is in the folder they happen to be in, so relative entries do not count.
    """
    is_root = os.geteuid() == 0 if is_root is None else is_root
    asked = () if is_root else os.environ.get("PATH", os.defpath).split(os.pathsep)
    folders = [folder for folder in (*asked, *SYSTEM_FOLDERS) if folder.startswith("/")]
    return shutil.which("smartctl", path=os.pathsep.join(folders))


class _Bounded(Smartctl):  # type: ignore[misc]  # pySMART ships no types
    """Smartctl with a time limit, both output streams, and the text as it came."""

    def __init__(self, program: str, limit_seconds: float) -> None:
        super().__init__(smartctl_path=program)
        self._limit = limit_seconds
        self.exit_status: int | None = None

    def _exec(self, cmd: list[str]) -> tuple[list[str], int | None]:
        # The C locale: no thousands separators or decimal commas to guess at.
        process = subprocess.Popen(
            cmd,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            env=os.environ | {"LC_ALL": "C"},
            start_new_session=True,  # Ctrl-C is ours to handle: a drive is not to be left in mid-command
        )
        try:
            output, _ = process.communicate(timeout=self._limit)
            self.exit_status = process.returncode
        except subprocess.TimeoutExpired as expired:
            os.killpg(process.pid, signal.SIGKILL)
            with contextlib.suppress(subprocess.TimeoutExpired):
                # A process stuck inside the kernel outlives this: it ends when the drive answers or is unplugged.
                process.wait(timeout=1)
            output = expired.output or b""
        if process.stdout is not None:
            process.stdout.close()
        return _decoded(output).split("\n"), self.exit_status


def _decoded(output: bytes) -> str:
    try:
        return output.decode("utf-8")
    except UnicodeDecodeError:
        return output.decode("latin-1")  # never fails, and keeps each byte apart
