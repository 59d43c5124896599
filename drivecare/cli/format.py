"""How values read on a screen: sizes, counts, what a drive is. Shared by the commands that print for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivecare.hardware.blockdev import AttachedDrive
    from drivecare.reading.model import Drive

KINDS = {"hdd": "hard drive", "ssd": "solid-state drive", "unknown": "drive"}
BUSES = {
    "sata": "SATA",
    "ata": "parallel ATA",
    "nvme": "NVMe",
    "sas": "SAS",
    "scsi": "SCSI",
    "usb": "USB",
    "uas": "USB (UAS)",
    "virtio": "virtual (virtio)",
    "mmc": "memory card",
    "loop": "image file",
    "nbd": "network image",
    "other": "unknown bus",
}


def size(count: int | None) -> str:
    """Bytes as a label says them, in powers of ten: 500,107,862,016 is "500 GB"."""
    if count is None:
        return "size unknown"
    value, unit = float(count), "bytes"
    for larger in ("kB", "MB", "GB", "TB", "PB"):
        if value < 999.5:
            break
        value, unit = value / 1000, larger
    digits = 0 if value >= 100 or unit == "bytes" else 1 if value >= 10 else 2
    shown = f"{value:.{digits}f}"
    return f"{shown.rstrip('0').rstrip('.') if '.' in shown else shown} {unit}"


def attached_kind(drive: AttachedDrive) -> str:
    """What an attached drive is and how: "hard drive, SATA"."""
    if drive.bus in ("loop", "nbd", "mmc"):
        return BUSES[drive.bus]
    return f"{KINDS[drive.kind]}, {BUSES[drive.bus]}"


def drive_line(drive: Drive) -> str:
    """What a drive is in one line: "2.5-inch hard drive, 500 GB, 5400 rpm, SATA 3 Gb/s"."""
    form = drive.form_factor or ""
    inches = f"{form.removesuffix(' inches')}-inch " if form.endswith("inches") else f"{form} " if form else ""
    protocol = {"ata": "SATA", "nvme": "NVMe", "scsi": "SCSI"}.get(drive.protocol or "", "")
    link = f" {drive.link_gbps:g} Gb/s" if drive.link_gbps else ""
    slower = drive.link_gbps and drive.link_max_gbps and drive.link_gbps < drive.link_max_gbps
    parts = (
        f"{inches}{KINDS[drive.kind]}",
        size(drive.capacity_bytes),
        f"{drive.rotation_rpm} rpm" if drive.rotation_rpm else "",
        protocol + link + (f" (it can do {drive.link_max_gbps:g})" if slower else "") if protocol else "",
    )
    return ", ".join(part for part in parts if part)


def plain(value: int | float | str | None) -> str:
    """A value for a table: thousands separated, a dash for what is not there."""
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:,.1f}".removesuffix(".0")
    return f"{value:,}" if isinstance(value, int) else value


def several(count: int, one: str, many: str | None = None) -> str:
    """ "1 drive", "2 drives"."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"
