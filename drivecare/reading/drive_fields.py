"""Which drive a report is about: model, serial, identity, size, sectors, shape, link; and what stands before it."""

from __future__ import annotations

import re
from typing import Literal

from drivecare.reading.attributes import AttributeTable
from drivecare.reading.families import has_trait, pattern_of
from drivecare.reading.gaps import GapNotes
from drivecare.reading.hand_written import read_names
from drivecare.reading.identity import Identity, normalise_worldwide_name
from drivecare.reading.locale_numbers import leading_count, leading_decimal, within
from drivecare.reading.model import Drive, Kind, Protocol, Security, ZoneModel
from drivecare.reading.report_text import Report

_LARGEST_DRIVE = 10**16
_EMPTY_FIELDS = frozenset({"", "0", "none", "n/a", "unknown", "[no information found]"})
_WARNING = re.compile(r"\s*==> WARNING:\s*(.*)")
_MOST_WARNING = 600
_OLD_NAME = re.compile(r"(\S+)\s+(\S.*?)\s+Version:\s*(\S+)")  # Device: MAKER MODEL  Version: 0008

# Words of products that stand in for drives. A volume's unit id has NAA 6, a real SAS drive's NAA 5.
# Peripheral device types (SPC) that hold no data of their own, or on other media: a word of each, and its name.
_NO_DRIVES = (
    ("enclosure", "an enclosure"),
    ("tape", "a tape drive"),
    ("cd/dvd", "an optical drive"),
    ("optical", "an optical drive"),
    ("changer", "a medium changer"),
    ("processor", "a processor"),
    ("storage array", "an array controller"),
)
_VOLUME = re.compile(r"\b(logical[ _]?volume|virtual|raid|array|volume|vdisk|lun)\b", re.I)

# "5" in reports of old, "ATA/ATAPI-5 T13 1321D revision 1" in newer ones.
_ATA_NUMBER = re.compile(r"(?:ATA(?:/ATAPI)?-)?(\d)\b(?!-)", re.I)
# ATA/ATAPI-5 is of 2000, Serial ATA 1.0 of 2001 (from memory); the first SATA drives still named ATA-6.
_LAST_ATA_BEFORE_SATA = 5


def find_protocol(report: Report) -> Protocol | None:
    """Which of the three languages the drive was asked in, by what only that one prints."""
    fields = report.fields
    if "nvme version" in fields or "model number" in fields or report.any_line("NVMe Log 0x02"):
        return "nvme"
    if {"device model", "ata version is", "ata standard is", "sata version is", "lu wwn device id"} & fields.keys():
        return "ata"
    if {"vendor", "product", "logical unit id", "smart health status", "transport protocol"} & fields.keys():
        return "scsi"
    if "device" in fields and "version:" in fields["device"][0].lower():
        return "scsi"
    if report.any_line("SMART Attributes Data Structure"):
        return "ata"
    return None


def describe(report: Report, protocol: Protocol | None, gaps: GapNotes) -> Drive:
    """What the information section tells about the drive, except which one it is and its kind."""
    model = _field_text(report.first("device model", "model number", "product"))
    firmware = _field_text(report.first("firmware version", "revision"))
    if model is None and (device := _OLD_NAME.match(report.first("device") or "")):
        model, firmware = device[2], firmware or device[3]
    serial = _field_text(report.first("serial number"))
    by_hand = (None, None) if model or serial else read_names(report, protocol)
    rotation = report.first("rotation rate", "rotational rate") or ""
    logical, physical = _sector_sizes(report)
    link, fastest = _link_speeds(report)
    words = report.first("ata security is") or ""
    security = _security(words)
    if security == "locked":
        gaps.note("locked", "ATA security is on and the drive is locked.")
    trim = report.first("trim command")
    return Drive(
        model=model or by_hand[0],
        serial=serial or by_hand[1],
        named_by_hand=any(by_hand),
        firmware=firmware,
        firmware_warning=_firmware_warning(report),
        family=_field_text(report.first("model family")),
        protocol=protocol,
        capacity_bytes=within(report.count("user capacity"), 1, _LARGEST_DRIVE),
        native_capacity_bytes=_native_bytes(report, logical or 512),
        security=security,
        password_level=_password_level(words) if security in ("locked", "unlocked") else None,
        password_attempts_exceeded=_attempts_exceeded(words) if security in ("locked", "unlocked") else None,
        logical_sector_bytes=logical,
        physical_sector_bytes=physical,
        form_factor=_field_text(report.first("form factor")),
        rotation_rpm=within(leading_count(rotation), 3000, 20000) if "rpm" in rotation.lower() else None,
        link_gbps=link,
        link_max_gbps=fastest,
        ata_transport=_ata_transport(report),
        trim=None if trim is None else trim.lower().startswith("available"),
        zoned=_zone_model(report),
        smart=_smart(report),
    )


def _firmware_warning(report: Report) -> str | None:
    """The warning that the backend's database has for this model or version: from its mark to the next empty line."""
    words: list[str] = []
    for line in report.lines:
        if match := _WARNING.match(line):
            words.append(match[1])
        elif words and (not line.strip() or line.startswith("=")):
            break
        elif words:
            words.append(line)
    text = " ".join(" ".join(words).split())
    return text[:_MOST_WARNING] or None


def _field_text(value: str | None) -> str | None:
    """A field that says something, or None."""
    return None if value is None or value.strip().lower() in _EMPTY_FIELDS else " ".join(value.split())


def _sector_sizes(report: Report) -> tuple[int | None, int | None]:
    """(logical, physical) bytes."""
    logical = physical = None
    if text := report.first("sector sizes", "sector size"):
        if sizes := re.search(r"(\d+) bytes logical, (\d+) bytes physical", text):
            logical, physical = int(sizes[1]), int(sizes[2])
        elif sizes := re.search(r"(\d+) bytes logical/physical", text):
            logical = physical = int(sizes[1])
    if text := report.first("logical block size"):
        logical = leading_count(text)
    if text := report.first("physical block size"):
        physical = leading_count(text)
    return within(logical, 256, 1 << 16), within(physical, 256, 1 << 20)


def _link_speeds(report: Report) -> tuple[float | None, float | None]:
    """(as it is, as fast as the drive can) in Gb/s."""
    link = fastest = None
    if text := report.first("sata version is"):
        if speed := re.search(r"current:\s*([\d.,]+) Gb/s", text):
            link = leading_decimal(speed[1])
        if speed := re.search(r",\s*([\d.,]+) Gb/s", text):
            fastest = leading_decimal(speed[1])
    for text in report.fields.get("negotiated logical link rate", ()):
        if link is None and (speed := re.search(r"([\d.,]+) Gbps", text)):
            link = leading_decimal(speed[1])
    return link, fastest


def _ata_transport(report: Report) -> Literal["serial", "parallel"] | None:
    """Tell SATA from PATA by what the drive says itself; from ATA-6 on silence leaves both possible."""
    if "sata version is" in report.fields:
        return "serial"
    if (report.first("transport type") or "").lower().startswith("parallel"):
        return "parallel"
    version = _ATA_NUMBER.match(report.first("ata version is") or "")
    return "parallel" if version is not None and int(version[1]) <= _LAST_ATA_BEFORE_SATA else None


def _zone_model(report: Report) -> ZoneModel | None:
    text = (report.first("zoned device", "zone model", "zoned model") or "").lower().replace("-", " ")
    models: tuple[ZoneModel, ...] = ("host-aware", "host-managed", "device-managed")
    return next((model for model in models if model.replace("-", " ") in text), None)


def _password_level(words: str) -> Literal["high", "maximum"] | None:
    level = re.search(r"\bpw level (high|max)", words, re.I)
    return None if level is None else "high" if level[1].lower() == "high" else "maximum"


def _attempts_exceeded(words: str) -> bool:
    return "attempts exceeded" in words.lower()


def _security(text: str) -> Security | None:
    """`Disabled, NOT FROZEN`, `ENABLED, PW level HIGH, **LOCKED**` and so on (ATA security states SEC0 to SEC6)."""
    lower = text.lower()
    if lower.startswith("unavailable"):
        return "unsupported"
    if lower.startswith("disabled"):
        return "frozen" if "frozen" in lower and "not frozen" not in lower else "off"
    if lower.startswith("enabled"):
        return "locked" if re.search(r"(?<!not )\blocked\b", lower) else "unlocked"
    return None


def _smart(report: Report) -> Literal["on", "off", "unsupported"] | None:
    support = " | ".join(report.fields.get("smart support is", ())).lower()
    if "unavailable" in support or report.any_line("Device does not support SMART", "device lacks SMART capability"):
        return "unsupported"
    if "disabled" in support or report.any_line("supports SMART and is Disabled", "SMART Disabled. Use option"):
        return "off"
    if "enabled" in support or report.any_line("supports SMART and is Enabled"):
        return "on"
    return None


def _native_bytes(report: Report, sector_bytes: int) -> int | None:
    """Native size where the text tells one: the kernel's note about a host-protected area, or an HPA query's answer."""
    native = None
    for line in report.lines:
        sectors = re.search(r"HPA detected: current (\d+), native (\d+)", line) or re.search(
            r"max sectors\s*=\s*(\d+)/(\d+)", line
        )
        if sectors:
            native = within(int(sectors[2]) * sector_bytes, 1, _LARGEST_DRIVE)
    return native


def find_stand_in(report: Report, drive: Drive) -> str | None:
    """What stands in for a drive here: a RAID volume or a controller; None for a drive itself."""
    controller = rf"{pattern_of('raid-answer')}|(?:requires option|try adding) '?-d (?:{pattern_of('raid-driver')})"
    if line := next((line.strip() for line in report.lines if re.search(controller, line, re.I)), None):
        return f"a controller ({line[:80]})"
    if drive.protocol != "scsi":
        return None
    device_type = (report.first("device type") or "").lower()
    if name := next((name for word, name in _NO_DRIVES if word in device_type), None):
        return f"{name} ({' '.join(filter(None, (report.first('vendor'), drive.model)))})"
    label = f"{report.first('vendor') or ''} {drive.model or ''}".strip()
    volume = _VOLUME.search(label) is not None or has_trait(label, "raid-volume")
    naa = (normalise_worldwide_name(report.first("logical unit id")) or "")[:1]
    if (naa == "6" and (volume or drive.smart == "unsupported")) or (naa not in ("5", "6") and volume):
        return f"a RAID volume ({label})"
    return None


def identify(report: Report, drive: Drive) -> Identity:
    """Which drive this is. Where a bridge or a controller answered in its place, the serial number is theirs; one that
    somebody wrote down proves nothing either."""
    if drive.named_by_hand:
        return Identity.from_names(bridged=True)
    if drive.protocol == "scsi" and not _answers_itself(report, drive):
        return Identity.from_names(bridge_serial=drive.serial, bridged=bool(drive.model))
    if drive.protocol != "nvme":
        wwn = normalise_worldwide_name(report.first("lu wwn device id", "logical unit id"))
        return Identity.from_names(wwn=wwn, native_serial=drive.serial)
    labels = (re.match(r"namespace (\d+) (?:size|ieee|formatted|nguid)", label) for label in report.fields)
    number = min((int(label[1]) for label in labels if label), default=None)
    return Identity.from_names(
        namespace=number,
        eui64=normalise_worldwide_name(report.first(f"namespace {number} ieee eui-64")),
        nguid=normalise_worldwide_name(report.first(f"namespace {number} nguid")),
        native_serial=drive.serial,
    )


def _answers_itself(report: Report, drive: Drive) -> bool:
    """Whether a SCSI answer comes from the drive itself: it names a SCSI transport, or speaks of its own defects."""
    if drive.virtual:
        return False
    transport = (report.first("transport protocol") or "").lower()
    if re.search(r"sas|fibre|fc|spi|parallel|ssa|1394|nvme|pcie", transport):
        return True
    return report.any_line("Elements in grown defect list", "Errors Corrected by") is not None


def find_kind(report: Report, drive: Drive, table: AttributeTable, gaps: GapNotes) -> Kind:
    """Hard or solid-state, by all that speaks for either: rotation, names of attributes, model and family."""
    if drive.protocol == "nvme":
        return "ssd"
    names = [(row.name or "").lower() for row in table.rows]
    rotation = (report.first("rotation rate", "rotational rate") or "").lower()
    label = f"{drive.model or ''} {drive.family or ''}"
    spinning = 3 * ("rpm" in rotation) + min(3, sum(bool(re.search(_SPINS, name)) for name in names))
    solid = 3 * ("solid state" in rotation) + min(3, sum(bool(re.search(_FLASH, name)) for name in names))
    solid += 2 * bool(re.search(r"\bssds?\b|ssd\d|solid.?state|\bmlc\b|\btlc\b", label, re.I))
    solid += 1 * (drive.trim is True)
    solid += 3 * ("percentage used endurance indicator" in report.fields)
    spinning += 2 * (re.search(r"\bhdd\b", label, re.I) is not None or has_trait(label, "hard-drive"))
    if spinning >= 3 and solid >= 3:
        gaps.note("kind-disputed", "Some of its data are a hard drive's, some a solid-state drive's.")
    if spinning > solid:
        return "hdd"
    return "ssd" if solid > spinning else "unknown"


_SPINS = (
    r"^(spin_up_time|seek_error_rate|spin_retry_count|seek_time_perf|head_flying|load_cycle|throughput_perf|helium)"
)
_FLASH = (
    r"wear_?level|wearout|ssd_life|erase_count|program_fail|erase_fail|lifetime_remain|life_remain|nand_|rsvd_blk|"
    r"block-erase"
)
