"""What a drive is called, from what the kernel and udev already asked it: model, serial number, WWN, USB bridge.

ATA drives behind libata put IDENTIFY DEVICE data into VPD page 89h (SAT-3, table "ATA Information VPD page": the 512
bytes start at byte 60); the kernel's short `model` file cuts the name after 16 characters, so it comes last.
"""

from __future__ import annotations

import re
from pathlib import Path

from drivecare.documents import Value
from drivecare.reading.identity import Identity, normalise_worldwide_name


class DriveNames(Value, frozen=True, kw_only=True):
    """What names a drive. `rotation_rpm`: 1 means solid state (ACS-3, IDENTIFY word 217)."""

    model: str | None = None
    identity: Identity = Identity()
    bridge: str | None = None
    rotation_rpm: int | None = None


def read_drive_names(folder: Path, root: Path, number: str) -> DriveNames:
    """The names of the drive whose sysfs folder this is; `number` is its "major:minor", the key of udev's database."""
    if folder.name.startswith("nvme"):
        return _read_nvme_names(folder)
    usb = usb_device(folder)
    device = folder / "device"
    identify = identify_data(folder)
    udev = _read_udev(root, number)
    ata_by_udev = udev.get("ID_BUS") == "ata" or "ID_ATA" in udev
    model = (
        (identify and _ata_string(identify, 27, 46))
        or (ata_by_udev and _unescape_udev(udev.get("ID_MODEL_ENC")))
        or _scsi_model(device)
        or read_text(device / "name")  # memory cards
    )
    serial = (
        (identify and _ata_string(identify, 10, 19))
        or (ata_by_udev and udev.get("ID_SERIAL_SHORT"))
        or _read_serial_page(device)
        or read_text(folder / "serial")  # virtio
        or read_text(device / "serial")
        or (udev.get("ID_SCSI_SERIAL") or udev.get("ID_SERIAL_SHORT") if usb is None else None)
    )
    wwn = (identify and _identify_wwn(identify)) or _naa_name(device) or normalise_worldwide_name(udev.get("ID_WWN"))
    bridge_serial = read_text(usb / "serial") if usb else None
    hidden = usb is not None and not identify and not ata_by_udev
    if hidden:
        # Behind a bridge that passes no ATA identity, even SCSI's serial page is the bridge's own invention.
        bridge_serial, serial, wwn = bridge_serial or serial, None, None
    return DriveNames(
        model=model or None,
        identity=Identity.from_names(wwn=wwn or None, native_serial=serial or None, bridge_serial=bridge_serial),
        bridge=_name_bridge(usb) if usb else None,
        rotation_rpm=_rotation_rpm(identify) if identify else None,
    )


def _read_nvme_names(folder: Path) -> DriveNames:
    device = folder / "device"
    return DriveNames(
        model=read_text(device / "model"),
        identity=Identity.from_names(
            namespace=int(nsid) if (nsid := read_text(folder / "nsid")) and nsid.isdigit() else None,
            eui64=normalise_worldwide_name(read_text(folder / "eui")),
            nguid=normalise_worldwide_name(read_text(folder / "nguid")),
            native_serial=read_text(device / "serial"),
        ),
    )


def usb_device(folder: Path) -> Path | None:
    """The sysfs folder of the USB device (dock, bridge, stick) above this drive, None where there is none."""
    return next((parent for parent in folder.resolve().parents if (parent / "idVendor").is_file()), None)


def usb_interface(folder: Path) -> Path | None:
    """The USB interface above this drive; its `driver` is usb-storage or uas."""
    return next((parent for parent in folder.resolve().parents if (parent / "bInterfaceClass").is_file()), None)


def read_text(path: Path) -> str | None:
    """A sysfs file's words; None where it is missing, unreadable or empty."""
    try:
        return path.read_bytes().replace(b"\0", b"").decode("utf-8", "replace").strip() or None
    except OSError:
        return None


def _read_bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""


def identify_data(folder: Path) -> bytes | None:
    """The 512 bytes of IDENTIFY DEVICE that the kernel keeps of an ATA drive, None where it has none."""
    page = _read_bytes(folder / "device/vpd_pg89")
    return page[60:572] if len(page) >= 572 and any(page[60:572]) else None


def _ata_string(identify: bytes, first: int, last: int) -> str | None:
    """Words first..last of IDENTIFY data: two characters a word, high byte first (ACS-3, 3.3.10)."""
    pairs = identify[2 * first : 2 * last + 2]
    swapped = bytes(pairs[index ^ 1] for index in range(len(pairs)))
    return swapped.decode("ascii", "replace").strip("\0 ") or None


def _word(identify: bytes, index: int) -> int:
    return int.from_bytes(identify[2 * index : 2 * index + 2], "little")


def _identify_wwn(identify: bytes) -> str | None:
    """Words 108-111, valid where word 87 says 01b in its top bits and sets bit 8 (ACS-3, IDENTIFY DEVICE)."""
    if _word(identify, 87) >> 14 != 1 or not _word(identify, 87) & 0x100:
        return None
    return normalise_worldwide_name("".join(f"{_word(identify, index):04x}" for index in range(108, 112)))


def _rotation_rpm(identify: bytes) -> int | None:
    rate = _word(identify, 217)
    return rate if rate == 1 or 0x401 <= rate <= 0xFFFE else None


def _read_serial_page(device: Path) -> str | None:
    page = _read_bytes(device / "vpd_pg80")
    length = int.from_bytes(page[2:4], "big")
    return page[4 : 4 + length].decode("ascii", "replace").strip("\0 ") or None


def _naa_name(device: Path) -> str | None:
    """The NAA name of the logical unit: the kernel's `wwid` is "naa.5000c500..." when the drive gave one."""
    kind, _, value = (read_text(device / "wwid") or "").partition(".")
    return normalise_worldwide_name(value) if kind in ("naa", "eui") else None


def _scsi_model(device: Path) -> str | None:
    vendor, model = read_text(device / "vendor"), read_text(device / "model")
    if model is None or vendor in (None, "ATA"):
        return model
    return f"{vendor} {model}"


def _name_bridge(usb: Path) -> str:
    name = " ".join(filter(None, (read_text(usb / "manufacturer"), read_text(usb / "product"))))
    numbers = f"{read_text(usb / 'idVendor')}:{read_text(usb / 'idProduct')}"
    return f"{name} ({numbers})" if name else numbers


def _read_udev(root: Path, number: str) -> dict[str, str]:
    """udev's properties of a device: lines "E:KEY=value" (systemd keeps them in /run/udev/data/bMAJOR:MINOR)."""
    lines = (read_text(root / "run/udev/data" / f"b{number}") or "").splitlines()
    return dict(line[2:].split("=", 1) for line in lines if line.startswith("E:") and "=" in line)


def _unescape_udev(value: str | None) -> str | None:
    """udev writes odd characters, the space included, as \\x20."""
    return re.sub(r"\\x([0-9a-f]{2})", lambda match: chr(int(match[1], 16)), value).strip() if value else None
