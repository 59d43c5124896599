"""Which drive a report is about: model, serial, identity, size, sectors, shape, link; and what stands before it."""

from __future__ import annotations

import re

from drivecare.reading.draft import Report, Said
from drivecare.reading.identity import Identity
from drivecare.reading.locale_numbers import count, decimal, within
from drivecare.reading.model import Kind, Protocol
from drivecare.reading.report_text import first

_LARGEST_DRIVE = 10**16
_GONE = frozenset({"", "0", "none", "n/a", "unknown", "[no information found]"})

# Products that stand in for drives. A volume's unit id has NAA 6, a real SAS drive's NAA 5.
_VIRTUAL = re.compile(
    r"\b(perc|megaraid|mr\d{4}|rs3\w+|rms3\w+|smart ?array|logical[ _]?volume|virtual|raid|array|volume|serveraid|"
    r"adaptec|areca|3ware|lsi|avago|dac960|vdisk|lun)\b",
    re.I,
)
_CONTROLLER = re.compile(
    r"(DELL or MegaRaid controller|requires option '?-d (?:cciss|megaraid|3ware|areca|aacraid|hpt)|"
    r"try adding '?-d (?:cciss|megaraid|3ware|areca|aacraid|hpt))",
    re.I,
)


def clean(value: str | None) -> str | None:
    """A field that says something, or None."""
    return None if value is None or value.strip().lower() in _GONE else " ".join(value.split())


def protocol_of(report: Report) -> Protocol | None:
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


def describe(report: Report, protocol: Protocol | None, said: Said) -> None:
    """Everything about the drive that its information section tells, except its kind."""
    drive = said.drive
    fields = report.fields
    drive["protocol"] = protocol
    drive["family"] = clean(first(fields, "model family"))
    drive["firmware"] = clean(first(fields, "firmware version", "revision"))
    drive["serial"] = clean(first(fields, "serial number"))
    drive["model"] = _model(report, said)
    drive["capacity_bytes"] = _size(first(fields, "user capacity"))
    drive["form_factor"] = clean(first(fields, "form factor"))
    rotation = first(fields, "rotation rate", "rotational rate") or ""
    drive["rotation_rpm"] = within(count(rotation), 3000, 20000) if "rpm" in rotation.lower() else None
    _sectors(fields, drive)
    _link(report, drive)
    drive["trim"] = _trim(fields)
    drive["zoned"] = _zoned(report)
    drive["security"] = _security(first(fields, "ata security is"))
    drive["smart"] = _smart(report)
    if drive["security"] == "locked":
        said.miss("locked", "ATA security is on and the drive is locked.")
    _hidden(report, drive)


def _model(report: Report, said: Said) -> str | None:
    model = clean(first(report.fields, "device model", "model number", "product"))
    if model is None and (device := first(report.fields, "device")):
        # Old wording: "Device: SEAGATE  ST3300657SS  Version: 0008"
        found = re.match(r"(\S+)\s+(\S.*?)\s+Version:\s*(\S+)", device)
        if found:
            said.drive["firmware"] = said.drive["firmware"] or found[3]
            model = found[2]
    return model


def _size(text: str | None) -> int | None:
    return within(count(text), 1, _LARGEST_DRIVE) if text else None


def _sectors(fields: dict[str, list[str]], drive: dict[str, object]) -> None:
    logical = physical = None
    if text := first(fields, "sector sizes", "sector size"):
        if found := re.search(r"(\d+) bytes logical, (\d+) bytes physical", text):
            logical, physical = int(found[1]), int(found[2])
        elif found := re.search(r"(\d+) bytes logical/physical", text):
            logical = physical = int(found[1])
    if text := first(fields, "logical block size"):
        logical = count(text)
    if text := first(fields, "physical block size"):
        physical = count(text)
    drive["logical_sector_bytes"] = within(logical, 256, 1 << 16)
    drive["physical_sector_bytes"] = within(physical, 256, 1 << 20)


def _link(report: Report, drive: dict[str, object]) -> None:
    now = most = None
    if text := first(report.fields, "sata version is"):
        if found := re.search(r"current:\s*([\d.,]+) Gb/s", text):
            now = decimal(found[1])
        if found := re.search(r",\s*([\d.,]+) Gb/s", text):
            most = decimal(found[1])
    for text in report.fields.get("negotiated logical link rate", ()):
        if now is None and (found := re.search(r"([\d.,]+) Gbps", text)):
            now = decimal(found[1])
    drive["link_gbps"], drive["link_max_gbps"] = now, most


def _trim(fields: dict[str, list[str]]) -> bool | None:
    text = first(fields, "trim command")
    return None if text is None else text.lower().startswith("available")


def _zoned(report: Report) -> str | None:
    text = (first(report.fields, "zoned device", "zone model", "zoned model") or "").lower()
    for word, meaning in (("host aware", "host-aware"), ("host-aware", "host-aware"), ("host managed", "host-managed"),
                          ("host-managed", "host-managed"), ("device managed", "device-managed"),
                          ("device-managed", "device-managed")):  # fmt: skip
        if word in text:
            return meaning
    return None


def _security(text: str | None) -> str | None:
    """`Disabled, NOT FROZEN`, `ENABLED, PW level HIGH, **LOCKED**` and so on (ATA security states SEC0 to SEC6)."""
    lower = (text or "").lower()
    if lower.startswith("unavailable"):
        return "unsupported"
    if lower.startswith("disabled"):
        return "off" if "not frozen" in lower else "frozen" if "frozen" in lower else "off"
    if lower.startswith("enabled"):
        return "locked" if re.search(r"(?<!not )\blocked\b", lower) else "unlocked"
    return None


def _smart(report: Report) -> str | None:
    said = " | ".join(report.fields.get("smart support is", ())).lower()
    if "unavailable" in said or report.any_line("Device does not support SMART", "device lacks SMART capability"):
        return "unsupported"
    if "disabled" in said or report.any_line("supports SMART and is Disabled", "SMART Disabled. Use option"):
        return "off"
    if "enabled" in said or report.any_line("supports SMART and is Enabled"):
        return "on"
    return None


def _hidden(report: Report, drive: dict[str, object]) -> None:
    """Native size where the text tells one: the kernel's note about a host-protected area, or an HPA query's answer."""
    sector = drive.get("logical_sector_bytes") or 512
    for line in report.lines:
        found = re.search(r"HPA detected: current (\d+), native (\d+)", line) or re.search(
            r"max sectors\s*=\s*(\d+)/(\d+)", line
        )
        if found and isinstance(sector, int):
            drive["native_capacity_bytes"] = within(int(found[2]) * sector, 1, _LARGEST_DRIVE)


def identity(report: Report, protocol: Protocol | None, drive: dict[str, object], *, hidden: bool) -> Identity:
    """Who this drive is. `hidden`: a bridge or a controller answered in its place."""
    serial = drive.get("serial")
    serial = serial if isinstance(serial, str) else None
    if hidden:
        return Identity.from_names(bridge_serial=serial, bridged=bool(drive.get("model")))
    fields = report.fields
    if protocol != "nvme":
        return Identity.from_names(
            wwn=_hexadecimal(first(fields, "lu wwn device id", "logical unit id")), native_serial=serial
        )
    number = min((int(n) for label in fields if (n := _namespace(label))), default=None)
    return Identity.from_names(
        namespace=number,
        eui64=_hexadecimal(first(fields, f"namespace {number} ieee eui-64")),
        nguid=_hexadecimal(first(fields, f"namespace {number} nguid")),
        native_serial=serial,
    )


def _namespace(label: str) -> str | None:
    found = re.match(r"namespace (\d+) (?:size|ieee|formatted|nguid)", label)
    return found[1] if found else None


def _hexadecimal(text: str | None) -> str | None:
    digits = re.sub(r"^0x|[\s-]", "", (text or "").lower())
    if not re.fullmatch(r"[0-9a-f]{16}|[0-9a-f]{32}", digits) or not digits.strip("0") or not digits.strip("f"):
        return None
    return digits


def virtual(report: Report, protocol: Protocol | None, drive: dict[str, object]) -> str | None:
    """What stands in for a drive here: a RAID volume or a controller; None for a drive itself."""
    if line := next((line.strip() for line in report.lines if _CONTROLLER.search(line)), None):
        return f"a controller ({line[:80]})"
    if protocol != "scsi":
        return None
    maker = first(report.fields, "vendor") or ""
    label = f"{maker} {drive.get('model') or ''}".strip()
    unit = (_hexadecimal(first(report.fields, "logical unit id")) or "")[:1]
    if unit == "6" and (_VIRTUAL.search(label) or drive.get("smart") == "unsupported"):
        return f"a RAID volume ({label})"
    if unit != "5" and _VIRTUAL.search(label):
        return f"a RAID volume ({label})"
    return None


def kind_of(report: Report, said: Said) -> Kind:
    """Hard or solid-state, by all that speaks for either: rotation, names of attributes, model and family."""
    drive = said.drive
    if drive["protocol"] == "nvme":
        return "ssd"
    names = [(row.name or "").lower() for row in said.attributes]
    rotation = (first(report.fields, "rotation rate", "rotational rate") or "").lower()
    label = f"{drive.get('model') or ''} {drive.get('family') or ''}"
    spinning = 3 * ("rpm" in rotation) + min(3, sum(bool(re.search(_SPINS, name)) for name in names))
    solid = 3 * ("solid state" in rotation) + min(3, sum(bool(re.search(_FLASH, name)) for name in names))
    solid += 2 * bool(re.search(r"\bssds?\b|ssd\d|solid.?state|\bmlc\b|\btlc\b", label, re.I))
    solid += 1 * (drive.get("trim") is True)
    solid += 3 * ("percentage used endurance indicator" in report.fields)
    spinning += 2 * bool(re.search(_HARD_DRIVES, label, re.I))
    if spinning >= 3 and solid >= 3:
        said.miss("kind-disputed", "Some of its data are a hard drive's, some a solid-state drive's.")
    if spinning == solid:
        return "unknown"
    return "hdd" if spinning > solid else "ssd"


# Model numbers and families of hard drives; Seagate's solid-state SAS drives carry an F after the capacity.
_HARD_DRIVES = (
    r"\bhdd\b|barracuda|ironwolf|exos|momentus|deskstar|travelstar|ultrastar 7k|spinpoint|"
    r"^st\d{3,9}[a-eg-z]|\bwdc? wd\d{2,}|\bfujitsu m[ahp]|\btoshiba m[kq]\d|\b(hitachi|hgst) h[dtu][st]|"
    r"\bsamsung h[dm]\d"
)
_SPINS = (
    r"^(spin_up_time|seek_error_rate|spin_retry_count|seek_time_perf|head_flying|load_cycle|throughput_perf|helium)"
)
_FLASH = (
    r"wear_?level|wearout|ssd_life|erase_count|program_fail|erase_fail|lifetime_remain|life_remain|nand_|rsvd_blk|"
    r"block-erase"
)
