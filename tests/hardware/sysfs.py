"""Recorded trees of /sys, /proc and /run in the kernel's own shape, as small as a question needs."""

from __future__ import annotations

import os
from pathlib import Path


class Tree:
    """A tree under `root`. Numbers of devices are handed out in order of creation: 8:0, 8:1, ..."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._next = 0
        self.mounts: list[str] = []
        for folder in ("sys/block", "sys/class/block", "sys/dev/block", "proc/self"):
            (root / folder).mkdir(parents=True)
        self.write("proc/swaps", "Filename Type Size Used Priority\n")

    def write(self, path: str, content: str | bytes) -> None:
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(content if isinstance(content, bytes) else content.encode())

    def drive(self, name: str, at: str = "", *, sectors: int = 2_000_000, **files: str | bytes) -> Path:
        """A whole drive; `at` is its place under /sys/devices, a file's name has __ for /."""
        place = f"sys/devices/{at + '/' if at else ''}block/{name}"
        self._device(place, name, sectors)
        (self.root / "sys/block" / name).symlink_to(self._relative("sys/block", place))
        if at:
            self.write(f"sys/devices/{at}/.here", "")
            (self.root / place / "device").symlink_to("../..")
        for key, content in {"queue__logical_block_size": "512", **files}.items():
            self.write(f"{place}/{key.replace('__', '/')}", content)
        return self.root / place

    def partition(self, drive: Path, number: int, *, sectors: int = 1000, start: int = 2048) -> Path:
        separator = "p" if drive.name[-1].isdigit() else ""
        name = f"{drive.name}{separator}{number}"
        place = str(drive.relative_to(self.root) / name)
        self._device(place, name, sectors)
        self.write(f"{place}/partition", str(number))
        self.write(f"{place}/start", str(start))
        return self.root / place

    def stack(self, name: str, *below: Path, mapper: str | None = None) -> Path:
        """A device built upon others: dm-0, md0. The kernel links it both ways, holders and slaves."""
        place = f"sys/devices/virtual/block/{name}"
        self._device(place, name, 1000)
        (self.root / "sys/block" / name).symlink_to(self._relative("sys/block", place))
        if mapper:
            self.write(f"{place}/dm/name", mapper)
        for device in below:
            (self.root / place / "slaves").mkdir(exist_ok=True)
            (self.root / place / "slaves" / device.name).symlink_to(device)
            (device / "holders").mkdir(exist_ok=True)
            (device / "holders" / name).symlink_to(self.root / place)
        return self.root / place

    def mount(
        self, device: Path | str, point: str, *, type: str = "ext4", source: str = "", options: str = "rw"
    ) -> None:
        number = device if isinstance(device, str) else (device / "dev").read_text().strip()
        source = source or (f"/dev/{device.name}" if isinstance(device, Path) else type)
        point = point.replace(" ", "\\040")
        self.mounts.append(f"{30 + len(self.mounts)} 1 {number} / {point} rw,relatime - {type} {source} {options}")
        self.write("proc/self/mountinfo", "\n".join(self.mounts) + "\n")

    def swap(self, device: Path) -> None:
        self.write("proc/swaps", f"Filename Type Size Used Priority\n/dev/{device.name} partition 1000 0 -2\n")

    def _device(self, place: str, name: str, sectors: int) -> None:
        number = f"8:{self._next}"
        self._next += 1
        self.write(f"{place}/dev", number + "\n")
        self.write(f"{place}/size", f"{sectors}\n")
        for index in ("sys/class/block/" + name, "sys/dev/block/" + number):
            (self.root / index).symlink_to(self._relative(str(Path(index).parent), place))

    def _relative(self, start: str, place: str) -> str:
        return os.path.relpath(self.root / place, self.root / start)


def identify_page(*, model: str, serial: str, wwn: str | None = None, rotation: int = 5400) -> bytes:
    """VPD page 89h around IDENTIFY DEVICE data: the layout of SAT-3 and ACS-3."""
    words = [0] * 256

    def put(first: int, text: str, count: int) -> None:
        padded = text.ljust(2 * count).encode()
        for index in range(count):
            words[first + index] = padded[2 * index] << 8 | padded[2 * index + 1]

    put(10, serial.rjust(20), 10)
    put(27, model, 20)
    words[217] = rotation
    if wwn:
        words[87] = 0x4100
        for index in range(4):
            words[108 + index] = int(wwn[4 * index : 4 * index + 4], 16)
    identify = b"".join(word.to_bytes(2, "little") for word in words)
    return b"\x00\x89\x02\x38" + bytes(56) + identify


def page_80(serial: str) -> bytes:
    """VPD page 80h: the unit serial number (SPC-4)."""
    return b"\x00\x80" + len(serial).to_bytes(2, "big") + serial.encode()
