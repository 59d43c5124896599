"""Invented drives to judge, and the readings that made them interesting."""

from __future__ import annotations

from typing import Any

from drivecare.reading.identity import Identity
from drivecare.reading.model import Attribute, Drive, LoggedErrors, Reading, SelfTest, Values

READ_AT = "2026-11-25T10:31:00+00:00"

HDD = Drive(
    model="Kestrel KD-500",
    serial="KX25-00417",
    kind="hdd",
    protocol="ata",
    identity=Identity(wwn="50000000000417a0", native_serial="KX25-00417", strength="strong"),
    capacity_bytes=500_107_862_016,
    logical_sector_bytes=512,
    smart="on",
    security="off",
)
SATA_SSD = Drive(
    model="Larkfield LS-240",
    serial="LF-240-77",
    kind="ssd",
    protocol="ata",
    identity=Identity(wwn="5000000000024077", native_serial="LF-240-77", strength="strong"),
    capacity_bytes=240_057_409_536,
)
NVME = Drive(
    model="Larkfield LN-512",
    serial="LN-512-08",
    kind="ssd",
    protocol="nvme",
    identity=Identity(wwn="0000000000512008", namespace=1, native_serial="LN-512-08", strength="strong"),
    capacity_bytes=512_110_190_592,
)
SAS = Drive(
    model="Moorhen MS-300",
    serial="MS300-5",
    kind="hdd",
    protocol="scsi",
    identity=Identity(wwn="5000000000003005", native_serial="MS300-5", strength="strong"),
    capacity_bytes=300_000_000_000,
)

_CLEAN_HDD: dict[str, Any] = {
    "power_on_hours": 21_904,
    "power_cycles": 1_200,
    "temperature_celsius": 38,
    "reallocated": 0,
    "pending": 0,
    "offline_uncorrectable": 0,
    "reported_uncorrectable": 0,
    "command_timeouts": 0,
    "spin_retries": 0,
    "crc_errors": 0,
}
_CLEAN_NVME: dict[str, Any] = {
    "power_on_hours": 4_000,
    "temperature_celsius": 41,
    "wear_percent_used": 3,
    "available_spare_percent": 100,
    "spare_threshold_percent": 10,
    "media_errors": 0,
    "critical_warnings": (),
}
_CLEAN_SAS: dict[str, Any] = {
    "power_on_hours": 8_347,
    "grown_defects": 0,
    "uncorrected_reads": 0,
    "uncorrected_writes": 0,
    "uncorrected_verifies": 0,
}
_CLEAN_SSD: dict[str, Any] = {"power_on_hours": 9_000, "reallocated": 0, "wear_percent_used": 12, "crc_errors": 0}
_CLEAN = {"ata hdd": _CLEAN_HDD, "ata ssd": _CLEAN_SSD, "nvme ssd": _CLEAN_NVME, "scsi hdd": _CLEAN_SAS}
PASSED_TEST = SelfTest(kind="Extended offline", result="passed", hours=21_900)


def reading(drive: Drive = HDD, *, values: dict[str, Any] | None = None, **fields: Any) -> Reading:
    """A reading of a drive whose values are clean but for those given."""
    clean = _CLEAN[f"{drive.protocol} {drive.kind}"]
    defaults = {"drive_says": "passed", "read_at": READ_AT, "path": "/dev/sdb", **fields}
    return Reading(drive=drive, values=Values(**(clean | (values or {}))), **defaults)


def hdd(**values: Any) -> Reading:
    """A hard drive with these values."""
    return reading(HDD, values=values)


def ssd(**values: Any) -> Reading:
    """A SATA solid-state drive with these values."""
    return reading(SATA_SSD, values=values)


def nvme(**values: Any) -> Reading:
    """An NVMe drive with these values."""
    return reading(NVME, values=values)


def sas(**values: Any) -> Reading:
    """A SAS hard drive with these values."""
    return reading(SAS, values=values)


def row(number: int, state: str, *, prefail: bool | None) -> Attribute:
    """An attribute row at its threshold, now or in the past."""
    now = state == "now"
    return Attribute(
        id=number,
        name="Invented",
        prefail=prefail,
        value=36 if now else 90,
        worst=36,
        threshold=36,
        state="now" if now else "past",
    )


def near(number: int, name: str, value: int, threshold: int, *, worst: int | None = None) -> Attribute:
    """A pre-fail row above its threshold."""
    return Attribute(
        id=number,
        name=name,
        prefail=True,
        value=value,
        worst=value if worst is None else worst,
        threshold=threshold,
    )


def self_tests(*results: tuple[str, str, int, int | None]) -> tuple[SelfTest, ...]:
    """Self-tests, newest first, from (kind, result, hours, lba)."""
    return tuple(SelfTest(kind=kind, result=result, hours=hours, lba=lba) for kind, result, hours, lba in results)  # type: ignore[arg-type]


def logged(*kinds: str, count: int, newest: int | None) -> LoggedErrors:
    """An ATA error log."""
    return LoggedErrors(count=count, newest_hours=newest, kinds=kinds)
