"""Inside the machine: the drives by name, the installed command, the plugs; and the runner of a file of checks.

python -m tests.bench.guest buses [check ...]
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import importlib
import inspect
import json
import mmap
import os
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

import msgspec

from tests.bench.drives import Drive

ROOT = Path(__file__).parents[2]
WORK = Path("/.drivecare-bench")  # in the guest only: no checkout lies below it
SHARE = WORK / "share"
BLOCK = Path("/sys/block")
COMMAND = Path(sys.executable).with_name("drivecare")  # the script pip installed


Check = Callable[["Bench"], None]


@dataclass(frozen=True)
class Ended:
    """A command that ended: exit code, what it printed, how long it took."""

    code: int
    out: str
    err: str
    seconds: float

    @property
    def json(self) -> dict[str, Any]:
        """The document it printed."""
        assert self.out, f"exit {self.code} and no document; it said: {self.err}"
        document: dict[str, Any] = json.loads(self.out)
        return document

    def __str__(self) -> str:
        return f"exit {self.code} after {self.seconds:.1f} s\n{self.out[-3000:]}\n{self.err[-3000:]}"


class Bench:
    """The machine from inside."""

    def __init__(self, drives: Iterable[Drive]) -> None:
        self.drives = {drive.name: drive for drive in drives}

    # --- drives -----------------------------------------------------------------------------------------------------

    def find(self, name: str) -> str | None:
        """The device file of a drive, None while it is not attached."""
        size = self.drives[name].size_bytes // 512
        for entry in BLOCK.iterdir():
            with contextlib.suppress(OSError):  # it may go away while we look
                if not entry.name.startswith("loop") and int((entry / "size").read_text()) == size:
                    return f"/dev/{entry.name}"
        return None

    def path(self, name: str, *, seconds: float = 300) -> str:
        """The device file of a drive, as soon as it is there."""
        path = wait_for(lambda: self.find(name), seconds, f"{name} does not appear")
        assert isinstance(path, str)
        return path

    def expected(self, name: str) -> bytes:
        """What a drive held when the machine started."""
        return self.drives[name].content()

    def holds(self, name: str, *, skip: Sequence[int] = ()) -> bytes:
        """What a drive holds now, read past the cache; zeros for the sectors to skip, unreadable ones raise."""
        return read_direct(self.path(name), skip=skip)

    # --- commands ---------------------------------------------------------------------------------------------------

    def start(self, *arguments: str, breakage: str | None = None) -> subprocess.Popen[str]:
        """Start `drivecare ARGUMENTS`; with `breakage` one of its promises is broken (tests/bench/breakage.py)."""
        broken = (sys.executable, "-m", "tests.bench.breakage", breakage)
        command = [*(broken if breakage else (COMMAND,)), *arguments]
        environment = dict(os.environ, NO_COLOR="1", PYTHONPATH=str(ROOT))
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)

    def run(self, *arguments: str, seconds: float = 600, breakage: str | None = None) -> Ended:
        """Run `drivecare ARGUMENTS` to its end."""
        began = time.monotonic()
        with self.start(*arguments, breakage=breakage) as process:
            try:
                out, err = process.communicate(timeout=seconds)
            except subprocess.TimeoutExpired:
                process.kill()
                raise AssertionError(f"drivecare {arguments} did not end in {seconds} s") from None
        return Ended(process.returncode, out, err, time.monotonic() - began)

    def copy_command(self, source: str, target: str) -> tuple[str, ...]:
        """Arguments that copy one drive over another, whose serial number is typed."""
        return ("copy", self.path(source), self.path(target), "--allow-overwrite", self.drives[target].shown_serial)

    def run_each(self, commands: Sequence[Sequence[str]]) -> list[Ended]:
        """Run several commands at once."""
        began = time.monotonic()
        processes = [self.start(*arguments) for arguments in commands]
        ended = []
        for process in processes:
            out, err = process.communicate(timeout=600)
            ended.append(Ended(process.returncode, out, err, time.monotonic() - began))
        return ended

    # --- plugs and faults, by way of QEMU's control socket ------------------------------------------------------------

    def qemu(self, command: str, **arguments: Any) -> Any:
        """One command to the emulator; returns its answer, raises AssertionError where it refuses."""
        with _port("ask").open("r+b", buffering=0) as port:
            port.write(json.dumps({"execute": command, "arguments": arguments}).encode() + b"\n")
            reply = b""
            while not reply.endswith(b"\n"):
                reply += port.read(65536) or b""
        answer = json.loads(reply)
        assert "return" in answer, f"{command} {arguments}: {answer}"
        return answer["return"]

    def unplug(self, name: str) -> None:
        """Pull a drive out and wait until the kernel has seen it."""
        pulled = {device["id"] for device in self.drives[name].devices()}
        self.qemu("device_del", id=self.drives[name].devices()[0]["id"])
        wait_for(lambda: self.find(name) is None, 300, f"{name} does not go")
        wait_for(lambda: not pulled & self._attached(), 300, f"{name} is not let go")

    @contextlib.contextmanager
    def at_rest(self, process: subprocess.Popen[str], name: str) -> Iterator[None]:
        """Hold a copy still between two requests to a drive: QEMU 7.2 aborts if a UAS dock goes with one under way."""
        running = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        for worker in running:
            os.kill(int(worker), signal.SIGSTOP)
        inflight = BLOCK / Path(self.path(name)).name / "inflight"
        wait_for(lambda: inflight.read_text().split() == ["0", "0"], 300, f"{name} does not come to rest")
        yield
        for worker in running:
            os.kill(int(worker), signal.SIGCONT)

    def plug(self, name: str) -> str:
        """Attach a drive and return its device file."""
        for device in self.drives[name].devices():
            self.qemu("device_add", **device)
        if self.drives[name].bus in ("usb", "uas"):  # a dock appears some time after the disk in it
            dock = self.drives[name].devices()[0]["id"]
            self.qemu("qom-set", path=f"/machine/peripheral/{dock}", property="attached", value=True)
        return self.path(name)

    def pace(self, name: str, pace: Literal["rate", "hang", "free"]) -> None:
        """Let a drive with a speed of its own work at that, hang after one more read, or work as fast as it can.

        QEMU first lets everything under way come to its end: so reads that hang come back.
        """
        throttle = self.drives[name].blocks(Path(), Path())[-1]
        self.qemu("blockdev-reopen", options=[{**throttle, "throttle-group": f"{name}.{pace}"}])

    def load(self, module: str, *options: str) -> str:
        """Load a further kernel module; the device file of the drive that comes with it."""
        before = set(BLOCK.iterdir())
        system(str(SHARE / "load"), module, *options)
        wait_for(lambda: set(BLOCK.iterdir()) - before, 300, f"{module} makes no drive")
        (entry,) = set(BLOCK.iterdir()) - before
        return f"/dev/{entry.name}"

    def cut_power(self) -> None:
        """The end of this machine, now."""
        (SHARE / "cut").touch()
        time.sleep(600)

    def _attached(self) -> set[str]:
        return {device["name"] for device in self.qemu("qom-list", path="/machine/peripheral")}


def _port(name: str) -> Path:
    for named in Path("/sys/class/virtio-ports").glob("*/name"):
        if named.read_text().strip() == name:
            return Path("/dev") / named.parent.name
    raise LookupError(name)


def wait_for(what: Callable[[], object], seconds: float, otherwise: str) -> object:
    """Ask until the answer is true; AssertionError `otherwise` if that takes too long."""
    end = time.monotonic() + seconds
    while not (answer := what()):
        assert time.monotonic() < end, f"{otherwise} ({seconds:.0f} s)"
        time.sleep(0.05)
    return answer


def read_direct(path: str, *, skip: Sequence[int] = ()) -> bytes:
    """A device's bytes, past the page cache; sectors to skip are left as zeros."""
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECT)
    try:
        size = os.lseek(descriptor, 0, os.SEEK_END)
        content = bytearray(size)
        edges = sorted({0, size, *range(0, size, 1 << 20), *(s * 512 for s in skip), *(s * 512 + 512 for s in skip)})
        with mmap.mmap(-1, 1 << 20) as buffer:
            for start, end in pairwise(edges):
                if start // 512 not in skip:
                    got = os.preadv(descriptor, [memoryview(buffer)[: end - start]], start)
                    assert got == end - start, f"{path}: {got} bytes at {start}"
                    content[start:end] = buffer[:got]
        return bytes(content)
    finally:
        os.close(descriptor)


def opens_exclusively(path: str) -> bool:
    """Whether the kernel grants O_EXCL on a device now."""
    try:
        os.close(os.open(path, os.O_RDONLY | os.O_EXCL))
    except OSError as error:
        if error.errno == errno.EBUSY:
            return False
        raise
    return True


def moved_sectors(path: str, column: int) -> int:
    """Sectors read (2) or written (6) so far: Documentation/block/stat.rst."""
    return int((Path("/sys/block") / Path(path).name / "stat").read_text().split()[column])


def differing_sectors(one: bytes, other: bytes) -> list[int]:
    """The 512-byte sectors in which two contents differ."""
    assert len(one) == len(other), (len(one), len(other))
    return [at // 512 for at in range(0, len(one), 512) if one[at : at + 512] != other[at : at + 512]]


def areas_of(sectors: Iterable[int]) -> list[dict[str, int]]:
    """Sectors as documents list them: neighbours joined, in bytes."""
    runs = [
        [sector for _, sector in group]
        for _, group in groupby(enumerate(sorted(sectors)), lambda pair: pair[1] - pair[0])
    ]
    return [{"offset": run[0] * 512, "length": len(run) * 512} for run in runs]


def sha256(content: bytes) -> str:
    """The digest as `sha256sum` prints it."""
    return hashlib.sha256(content).hexdigest()


def system(*command: str) -> str:
    """Run a system utility; returns what it printed."""
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}: {done.stderr}"
    return done.stdout


def promise(number: int) -> Callable[[Check], Check]:
    """Mark a check that holds a promise. Outside, this becomes pytest's marker; in here, pytest is slow to load."""

    def mark(check: Check) -> Check:
        vars(check)["promises"] = (number, *promises_of(check))
        return check

    return mark


def promises_of(check: Check) -> tuple[int, ...]:
    """The numbers of the promises that a check holds."""
    numbers: tuple[int, ...] = vars(check).get("promises", ())
    return numbers


def checks_of(module: ModuleType) -> list[str]:
    """The names of a file's checks, in its order."""
    return [name for name, what in vars(module).items() if name.startswith("check_") and inspect.isfunction(what)]


def main(batch: str, *wanted: str) -> None:
    """Run the checks of one file and write one result each into the shared folder."""
    module = importlib.import_module(f"tests.bench.guests.{batch}")
    bench = Bench(msgspec.json.decode((SHARE / "drives.json").read_bytes(), type=list[Drive]))
    os.chdir(WORK)
    for name in wanted or checks_of(module):
        began = time.monotonic()
        failure = None
        try:
            getattr(module, name)(bench)
        except Exception:  # the check failed; the next ones still run
            failure = traceback.format_exc()
        result = {"failure": failure, "seconds": round(time.monotonic() - began, 1)}
        (SHARE / f"{name}.json").write_text(json.dumps(result))


if __name__ == "__main__":
    main(*sys.argv[1:])
