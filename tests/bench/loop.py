"""The loop rig: block devices over files that fail on demand. Root and FUSE needed; seconds per test.

    with LoopRig(tmp_path) as rig:
        source = rig.device("source", content, unreadable=[20_000])
        target = rig.device("target", bytes(len(content)), faults=Faults(lost=((4096, 512),)))

It touches no block device but the ones it made; they go when the `with` block ends.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType

from tests.bench.faults import Faults

ROOT = Path(__file__).parents[2]
NEEDED = {"losetup": "util-linux", "qemu-storage-daemon": "qemu-system-common", "fusermount3": "fuse3"}


def unready() -> str | None:
    """Why no rig can be made here, in one line; None where one can."""
    path = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
    missing = [package for tool, package in NEEDED.items() if not shutil.which(tool, path=path)]
    if missing:
        return f"the loop rig needs the packages {' '.join(missing)}"
    if os.geteuid() != 0:
        return "the loop rig needs root"
    for device in ("/dev/fuse", "/dev/loop-control"):
        try:
            os.close(os.open(device, os.O_RDWR))
        except OSError as error:
            return f"the loop rig needs {device}: {error.strerror}"
    return None


class LoopRig:
    """Devices made for one test, under one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self._undo = contextlib.ExitStack()

    def __enter__(self) -> LoopRig:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._undo.close()

    def backing(self, name: str) -> Path:
        """The file that truly holds what a device shows."""
        return self.folder / f"{name}.img"

    def device(
        self,
        name: str,
        content: bytes | Path,
        *,
        unreadable: Sequence[int] = (),
        once: Sequence[int] = (),
        faults: Faults | None = None,
        sector_bytes: int = 512,
    ) -> Path:
        """A loop device with this content, or over this file, which is moved here.

        Sectors `unreadable` give EIO, `once` the first time only; or it lies.
        """
        if isinstance(content, Path):
            shutil.move(content, self.backing(name))
        else:
            self.backing(name).write_bytes(content)
        file = self.backing(name)
        if unreadable or once:
            file = self._exported(name, unreadable, once)
        elif faults is not None:
            file = self._lying(name, faults)
        return self.attach(file, sector_bytes=sector_bytes)

    def attach(self, file: Path, *, sector_bytes: int = 512) -> Path:
        """A loop device over a file, detached at the end."""
        shape = ["--direct-io=on", f"--sector-size={sector_bytes}"]
        return self._undo.enter_context(attached(file, *shape))

    def set_faults(self, name: str, faults: Faults) -> None:
        """Change what a lying device does, now."""
        faults.save(self.backing(name))

    def _exported(self, name: str, unreadable: Sequence[int], once: Sequence[int]) -> Path:
        """The backing file with errors at sectors, as a file. For reading only: QEMU 7.2 loses large direct writes."""
        shown = self.folder / f"{name}.exported"
        shown.touch()
        error = {"event": "none", "iotype": "read", "errno": 5}
        errors = [{**error, "sector": sector, "once": sector in once} for sector in (*unreadable, *once)]
        nodes = [
            {"driver": "file", "node-name": "file", "filename": str(self.backing(name)), "read-only": True},
            {"driver": "blkdebug", "node-name": "faults", "image": "file", "inject-error": errors, "read-only": True},
            {"driver": "raw", "node-name": "disk", "file": "faults", "read-only": True},
        ]
        export = {"type": "fuse", "id": "export", "node-name": "disk", "mountpoint": str(shown)}
        line = ["qemu-storage-daemon"]
        for node in nodes:
            line += ["--blockdev", json.dumps(node)]
        self._serve(name, [*line, "--export", json.dumps(export)], shown)
        return shown

    def _lying(self, name: str, faults: Faults) -> Path:
        folder = self.folder / f"{name}.mount"
        folder.mkdir()
        faults.save(self.backing(name))
        self._serve(name, [sys.executable, "-m", "tests.bench.faultfs", str(self.backing(name)), str(folder)], folder)
        return folder / "disk"

    def _serve(self, name: str, command: list[str], mount: Path) -> None:
        process = subprocess.Popen(command, cwd=ROOT)
        self.processes[name] = process
        self._undo.callback(_end, process, mount)
        for _ in range(1200):
            if _is_mounted(mount):
                return
            assert process.poll() is None, f"{command[0]} ended with {process.returncode}"
            time.sleep(0.05)
        raise AssertionError(f"{mount} is not there after 60 s")


def _is_mounted(path: Path) -> bool:
    return any(f" {path} " in line for line in Path("/proc/self/mountinfo").read_text().splitlines())


def _end(process: subprocess.Popen[bytes], mount: Path) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGCONT)
        process.terminate()
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
    if _is_mounted(mount):
        subprocess.run(["umount", "--lazy", str(mount)], check=False)


@contextlib.contextmanager
def attached(file: Path, *options: str) -> Iterator[Path]:
    """A loop device over a file, for a while. `options`: of losetup."""
    device = Path(_run("losetup", "--find", "--show", *options, str(file)).strip())
    try:
        yield device
    finally:
        _detach(device)


def _detach(device: Path) -> None:
    """Detach, and wait until it is really gone: whoever still looks at it holds it for a moment."""
    subprocess.run(["losetup", "--detach", str(device)], check=False, capture_output=True)
    backing = Path("/sys/block") / device.name / "loop/backing_file"
    for _ in range(400):
        if not backing.exists():
            return
        time.sleep(0.05)


def _run(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}: {done.stderr}"
    return done.stdout
