"""The drives of a machine: what each is, and how QEMU is told about it.

A drive with a fault is one line:

    Drive("nvme0", bus="nvme", unreadable=(20_000, 20_001))
"""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

Bus = Literal["sata", "nvme", "scsi", "usb", "uas"]
MIB = 1 << 20


@dataclass(frozen=True)
class Drive:
    """One emulated drive. Sectors are 512 bytes, offsets bytes.

    Every drive of a machine gets a size of its own (`size_bytes`), so that it is found again on any bus: names move
    between boots, and a bridge may hide a serial number.
    """

    name: str
    bus: Bus
    mib: int = 32
    nth: int = 0  # its place among the machine's drives; set by the machine
    seed: int | None = None  # what it holds: noise from this seed, or zeros
    unreadable: tuple[int, ...] = ()  # sectors that answer every read with an error
    once: tuple[int, ...] = ()  # sectors that fail one time and then read well
    unwritable: tuple[int, ...] = ()
    bytes_per_second: int | None = None  # its speed; it can be made to hang, too (Bench.pace)
    logged: bool = False  # keep a log of its writes and flushes, to replay a power cut
    plugged: bool = True  # False: attached later by a check

    @property
    def serial(self) -> str:
        """The serial number it reports."""
        return f"BENCH-{self.name.upper()}"

    @property
    def shown_serial(self) -> str:
        """The number it is known by here: in a dock the dock's, because these docks hide the disk in them."""
        return f"DOCK-{self.name.upper()}" if self.bus in ("usb", "uas") else self.serial

    @property
    def size_bytes(self) -> int:
        """Its size: whole MiB, and 64 KiB more for each drive before it."""
        return self.mib * MIB + self.nth * 65536

    def content(self) -> bytes:
        """What it holds when the machine starts."""
        return bytes(self.size_bytes) if self.seed is None else noise(self.seed, self.size_bytes)

    def blocks(self, image: Path, log: Path) -> list[dict[str, Any]]:
        """QEMU block nodes from the image file up to the node named as the drive."""
        nodes: list[dict[str, Any]] = [{"driver": "file", "filename": str(image)}]
        errors = self._errors()
        if errors:
            nodes.append({"driver": "blkdebug", "inject-error": errors})
        nodes.append({"driver": "raw"})
        if self.logged:
            nodes.append({"driver": "blklogwrites", "log": f"{self.name}.log", "log-super-update-interval": 1})
        if self.bytes_per_second:
            nodes.append({"driver": "throttle", "throttle-group": f"{self.name}.rate"})
        for below, node in enumerate(nodes):
            node["node-name"] = self.name if below == len(nodes) - 1 else f"{self.name}.{below}"
            if below:
                key = "image" if node["driver"] == "blkdebug" else "file"
                node[key] = f"{self.name}.{below - 1}"
        if self.logged:
            nodes.insert(0, {"driver": "file", "filename": str(log), "node-name": f"{self.name}.log"})
        return nodes

    def _errors(self) -> list[dict[str, Any]]:
        read = {"event": "none", "iotype": "read", "errno": 5}
        return [
            *({**read, "sector": sector, "once": False} for sector in self.unreadable),
            *({**read, "sector": sector, "once": True} for sector in self.once),
            *({**read, "iotype": "write", "sector": sector, "once": False} for sector in self.unwritable),
        ]

    def objects(self) -> list[dict[str, Any]]:
        """QEMU objects it needs: the speed limits it can be moved between."""
        if not self.bytes_per_second:
            return []
        limits = {"rate": {"bps-total": self.bytes_per_second}, "hang": {"bps-total": 1}, "free": {}}
        return [
            {"qom-type": "throttle-group", "id": f"{self.name}.{pace}", "limits": most} for pace, most in limits.items()
        ]

    def devices(self) -> list[dict[str, Any]]:
        """QEMU devices that attach it, the one to pull out first; also the arguments of a later device_add."""
        # QEMU 7.2 never lets go of the image of a disk whose dock was pulled; shared, it can be plugged in again.
        disk: dict[str, Any] = {"id": self.name, "drive": self.name, "serial": self.serial, "share-rw": True}
        match self.bus:
            case "sata":
                wwn = 0x5000_0000_0000_0001 + self.nth
                place = {
                    "bus": f"{self.name}.port.0",
                    "model": "Plover PL-1",
                    "ver": "1.0",
                    "wwn": wwn,
                    "rotation_rate": 5400,
                }
                return [{"driver": "ide-hd", **disk, **place}]
            case "nvme":
                return [{"driver": "nvme", **disk, "bus": f"{self.name}.port"}]
            case "scsi":
                return [{"driver": "scsi-hd", **disk, "bus": "scsi.0", "vendor": "Plover", "product": "PL-3"}]
            case "usb" | "uas":  # a dock, and the disk in it
                dock = f"{self.name}.dock"
                driver = "usb-bot" if self.bus == "usb" else "usb-uas"
                bridge = {"driver": driver, "id": dock, "bus": "usb.0", "serial": self.shown_serial}
                return [bridge, {"driver": "scsi-hd", **disk, "bus": f"{dock}.0", "scsi-id": 0, "lun": 0}]

    def arguments(self, image: Path, log: Path) -> list[str]:
        """All of it as QEMU's command line."""
        line: list[str] = []
        for qemu_object in self.objects():
            line += ["-object", json.dumps(qemu_object)]
        for node in self.blocks(image, log):
            line += ["-blockdev", json.dumps(node)]
        if self.bus == "nvme":  # a slot it can be pulled out of
            port = {
                "driver": "pcie-root-port",
                "id": f"{self.name}.port",
                "chassis": self.nth + 1,
                "slot": self.nth + 1,
            }
            line += ["-device", json.dumps(port)]
        if self.bus == "sata":
            line += ["-device", json.dumps({"driver": "ahci", "id": f"{self.name}.port"})]
        for device in self.devices() if self.plugged else []:
            line += ["-device", json.dumps(device)]
        return line


def noise(seed: int, size: int) -> bytes:
    """The same unrepeating bytes for the same seed, in the guest as outside."""
    return random.Random(seed).randbytes(size)
