"""A machine with a real kernel's drives: a QEMU guest that runs this very checkout.

Its root is this machine's file tree, read only, under a layer in memory: the same Python, the same packages, nothing
written back. It has no network and no device of this machine. Results come through a shared folder.
"""

from __future__ import annotations

import contextlib
import json
import os
import shlex
import shutil
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from tests.bench.drives import Drive
from tests.bench.kernel import Kernel, Unready, kernel

ROOT = Path(__file__).parents[2]
NEEDED = {
    "qemu-system-x86_64": "qemu-system-x86",
    "smartctl": "smartmontools",
    "sfdisk": "fdisk",
    "mke2fs": "e2fsprogs",
}
# Code at the same addresses in every process need not be translated again for each; and a host so busy that no tick
# comes in time has no broken timer (the kernel's Documentation/admin-guide/kernel-parameters.txt).
CALM = "mitigations=off norandmaps no_timer_check"
NEEDED |= {"dmsetup": "dmsetup", "apt-get": "apt", "dpkg": "dpkg"}


def unready() -> str | None:
    """Why no machine can be started here, in one line; None where one can."""
    path = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
    missing = [package for tool, package in NEEDED.items() if not shutil.which(tool, path=path)]
    if missing:
        return f"the machine rig needs the packages {' '.join(missing)}"
    try:
        kernel()
    except Unready as reason:
        return f"the machine rig cannot be made: {reason}"
    return None


class Machine:
    """One guest: its drives' images, its shared folder, its life from boot to power-off.

    machine = Machine(tmp_path, [Drive("sata0", bus="sata")])
    machine.run("tests.bench.guests.buses", seconds=300)
    """

    def __init__(self, folder: Path, drives: Sequence[Drive], *, memory_mib: int = 448) -> None:
        self.folder = folder
        self.drives = [replace(drive, nth=nth) for nth, drive in enumerate(drives)]
        self.share = folder / "share"
        self.memory_mib = memory_mib
        self.exit_code: int | None = None
        self.share.mkdir(parents=True)
        for drive in self.drives:
            self.image(drive.name).write_bytes(drive.content())
            self.log(drive.name).touch()

    def image(self, name: str) -> Path:
        """The file that holds a drive's sectors."""
        return self.folder / f"{name}.img"

    def log(self, name: str) -> Path:
        """The file that holds a drive's write log, where it keeps one."""
        return self.folder / f"{name}.log"

    @property
    def console(self) -> str:
        """What the guest's kernel and programs said."""
        path = self.folder / "console"
        return path.read_text(errors="replace") if path.exists() else ""

    def run(self, module: str, *arguments: str, seconds: float) -> None:
        """Boot, run `python -m module arguments` inside until it powers off. Raises AssertionError after `seconds`."""
        with self.started(module, *arguments) as process:
            try:
                self.exit_code = process.wait(timeout=seconds)
            except subprocess.TimeoutExpired:
                raise AssertionError(f"the guest did not end in {seconds:.0f} s:\n{self.console[-3000:]}") from None

    def run_until_cut(self, module: str, *arguments: str, seconds: float) -> None:
        """The same, but the power goes the moment the guest asks for it. Raises AssertionError where it never does."""
        with self.started(module, *arguments) as process:
            end = time.monotonic() + seconds
            while not (self.share / "cut").exists():
                assert process.poll() is None, f"the guest ended before the power cut:\n{self.console[-3000:]}"
                assert time.monotonic() < end, f"no power cut in {seconds:.0f} s:\n{self.console[-3000:]}"
                time.sleep(0.02)

    @contextlib.contextmanager
    def started(self, module: str, *arguments: str) -> Iterator[subprocess.Popen[bytes]]:
        """A running guest; killed at the end, as a power cut would."""
        built = kernel()
        command = [sys.executable, "-X", "faulthandler", "-m", module, *arguments]
        busybox = shlex.quote(str(built.busybox))
        lines = [
            f"export PATH={shlex.quote(os.environ['PATH'])}:/usr/sbin:/sbin",
            "export HOME=/root PYTHONDONTWRITEBYTECODE=1 LC_ALL=C.UTF-8",
            *(f"{busybox} insmod {shlex.quote(str(path))}" for path in built.late),
            f"cd {shlex.quote(str(ROOT))} && {shlex.join(command)}",
            "sync",
            f"{busybox} poweroff -f",
        ]
        load = self.share / "load"  # MODULE OPTIONS...: for the modules that are not wanted in every machine
        modules = shlex.quote(str(built.modules))
        load.write_text(f'#!/bin/sh\nname=$1; shift; exec {busybox} insmod {modules}/$name.ko "$@"\n')
        load.chmod(0o755)
        (self.share / "start").write_text("\n".join(lines) + "\n")
        (self.share / "drives.json").write_text(json.dumps([asdict(drive) for drive in self.drives]))
        with subprocess.Popen(self._command(built), stdin=subprocess.DEVNULL, cwd=self.folder) as process:
            relay = threading.Thread(target=_relay, args=(self.folder,), daemon=True)
            relay.start()
            try:
                yield process
            finally:
                process.kill()
                process.wait()
                relay.join(timeout=10)

    def _command(self, built: Kernel) -> list[str]:
        device: list[str] = []
        for drive in self.drives:
            device += drive.arguments(self.image(drive.name), self.log(drive.name))
        plain = "security_model=none,multidevs=remap"
        # One processor: a second one makes the emulator spend as long again on keeping the two in step, and several
        # machines run at a time. What needs true parallelism is tried on loop devices.
        return [
            "qemu-system-x86_64",
            *("-M", "q35", "-cpu", "max", "-accel", "tcg,thread=multi", "-m", str(self.memory_mib)),
            *("-nodefaults", "-no-user-config", "-no-reboot", "-display", "none", "-serial", "file:console"),
            *("-kernel", str(built.image), "-initrd", str(built.initramfs)),
            *("-append", f"{CALM} console=ttyS0 quiet panic=-1 nvme.poll_queues=0 usb-storage.delay_use=0"),
            *(
                "-fsdev",
                f"local,id=host,path=/,readonly=on,{plain}",
                "-device",
                "virtio-9p-pci,fsdev=host,mount_tag=host",
            ),
            *(
                "-fsdev",
                f"local,id=share,path={str(self.share).replace(',', ',,')},{plain}",
                "-device",
                "virtio-9p-pci,fsdev=share,mount_tag=share",
            ),
            *(
                "-device",
                "virtio-serial-pci",
                "-device",
                "virtio-scsi-pci,id=scsi",
                "-device",
                "qemu-xhci,id=usb,p2=8,p3=8",
            ),
            *(
                "-chardev",
                "socket,id=ask,path=ask,server=on,wait=off",
                "-device",
                "virtserialport,chardev=ask,name=ask",
            ),
            *("-qmp", "unix:qmp,server=on,wait=off"),
            *device,
        ]


def _relay(folder: Path) -> None:
    """Pass the guest's requests to QEMU's control socket and the replies back: that is how a check pulls a plug."""
    with (
        contextlib.suppress(OSError, ValueError),
        _connect(folder / "qmp") as control,
        _connect(folder / "ask") as guest,
    ):
        replies, requests = control.makefile("r"), guest.makefile("r")
        replies.readline()  # the greeting
        control.sendall(b'{"execute": "qmp_capabilities"}\n')
        replies.readline()
        for request in requests:
            control.sendall(request.encode())
            while "event" in (reply := json.loads(replies.readline())):
                pass
            guest.sendall(json.dumps(reply).encode() + b"\n")


def _connect(path: Path) -> socket.socket:
    """A socket of QEMU's, as soon as it listens. Reached through its folder: an address holds 107 bytes only."""
    folder = os.open(path.parent, os.O_PATH)
    try:
        for _ in range(1200):
            link = socket.socket(socket.AF_UNIX)
            try:
                link.connect(f"/proc/self/fd/{folder}/{path.name}")
            except OSError:
                link.close()
                time.sleep(0.05)
            else:
                return link
    finally:
        os.close(folder)
    raise OSError(f"no answer on {path}")


def outcome(machine: Machine, check: str) -> dict[str, Any]:
    """What the guest wrote about one check."""
    path = machine.share / f"{check}.json"
    if not path.exists():
        raise AssertionError(
            f"the guest ended before {check}, QEMU with {machine.exit_code}:\n{machine.console[-3000:]}"
        )
    result: dict[str, Any] = json.loads(path.read_text())
    return result
