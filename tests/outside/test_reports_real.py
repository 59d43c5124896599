"""The 34 real reports shipped with pySMART 1.4.3: identity, size, kind, values and verdict of every one.

Source of the reports: PyPI, pysmart 1.4.3, tests/dataset/singletests. What is expected of each was written down from
reading them; the values are checked by a few lines that share no code with the decoder.
"""

# ruff: noqa: E501  the table reads best with one drive a line

from __future__ import annotations

import re
from typing import NamedTuple

import pytest

from drivecare.documents import encode
from drivecare.reading.reading_files import reading_of
from drivecare.risk.assess import assess
from tests.outside.recorded import real_reports


class Real(NamedTuple):
    """A report, and what a careful technician reads from it."""

    name: str
    model: str
    serial: str
    wwn: str | None
    capacity_bytes: int
    kind: str
    protocol: str
    wear: int | None
    verdict: str


# The two unproven drives that are no RAID volume have a self-test running, and nothing else speaks.
REPORTS = [
    Real("megaraid_jbod_sas_hdd_0_issue_85", "XXXXXXXXXXX", "XXXXXXXXXXXXXXXX", "50025380725029b0", 800166076416, "ssd", "scsi", 0, "refit"),
    Real("megaraid_ph_sas_hdd_0", "HUS726040AL5210", "XXXXXXXX", "5000cca25c244870", 4000787030016, "hdd", "scsi", None, "refit"),
    Real("megaraid_ph_sata_hdd_0", "HGST HUS724040ALE640", "PKXXXXXXXXXXGB", "5000cca24cea67fd", 4000787030016, "hdd", "ata", None, "refit"),
    Real("megaraid_ph_sata_hdd_1_issue_56", "INTEL SSDSC2KB480G8", "PHYF110005YA480BGN", "55cd2e4153391876", 480103981056, "ssd", "ata", 0, "refit"),
    Real("megaraid_ph_sata_ssd_0", "INTEL SSDSC2BB120G6", "BXXXXXXXXXXXXXXXXN", "55cd2e404b7ffea4", 120034123776, "ssd", "ata", 14, "refit"),
    Real("megaraid_vd_0", "RS3DC080", "00907d49075932d81f9044090ab00506", None, 118999744512, "unknown", "scsi", None, "unproven"),
    Real("nvme_0", "KBG30ZMV256G TOSHIBA", "XXXXXXXXXXXX", "00080d040017b710", 256060514304, "ssd", "nvme", 28, "refit"),
    Real("nvme_10_issue_73", "Netac NVMe SSD 2TB", "RN202303092TB677720", "a843970000677720", 2000398934016, "ssd", "nvme", 0, "refit"),
    Real("nvme_11_issue_75", "KBG30ZMV256G TOSHIBA", "68APC048P12P", "00080d040017b710", 256060514304, "ssd", "nvme", 33, "refit"),
    Real("nvme_12_issue_89", "WDS200T1X0E-00AFY0", "215119800624", "001b448b451ffb99", 2000398934016, "ssd", "nvme", 1, "refit"),
    Real("nvme_13_issue_96", "TWSC TSC3AN1T0-F2T60S", "TTSQA253HX07141", "0c82d52530007141", 1024209543168, "ssd", "nvme", 0, "refit"),
    Real("nvme_1_issue_37", "Samsung SSD 970 EVO Plus 500GB", "S4EVNX0NA32843N", "0025385a01b1770d", 500107862016, "ssd", "nvme", 0, "refit"),
    Real("nvme_2_issue_46", "WDC PC SN730 SDBPNTY-512G-1101", "211515805454", "001b448b48720fd3", 512110190592, "ssd", "nvme", 1, "refit"),
    Real("nvme_3_issue_52", "WDC WDS100T2B0C-00PXH0", "220312800929", "001b448b45ea9cce", 1000204886016, "ssd", "nvme", 0, "refit"),
    Real("nvme_4_issue_53", "KCM61VUL1T60", "61B0A067T1K8", None, 1600321314816, "ssd", "nvme", 0, "refit"),
    Real("nvme_5_issue_46", "WD_BLACK SN770 500GB", "22050Y803439", "001b448b45a3700d", 500107862016, "ssd", "nvme", 0, "refit"),
    Real("nvme_6", "KBG30ZMV256G TOSHIBA", "68APC048P12P", "00080d040017b710", 256060514304, "ssd", "nvme", 32, "refit"),
    Real("nvme_7_issue_63", "WDS200T1X0E-00AFY0", "XXXXXXXXXXXX", "001b448b451ffb99", 2000398934016, "ssd", "nvme", 0, "refit"),
    Real("nvme_8", "WDS200T1X0E-00AFY0", "XXXXXXXXXXXX", "001b448b451ffb99", 2000398934016, "ssd", "nvme", 0, "refit"),
    Real("nvme_9_issue_72", "KINGSTON SA2000M8500G", "50026B72826F6BB1", "0026b72826f6bb15", 500107862016, "ssd", "nvme", 1, "refit"),
    Real("nvme_usb_asmedia_issue_97", "Samsung Portable SSD T7", "S7MNNS0Y828393V", None, 2000398934016, "ssd", "nvme", 0, "refit"),
    Real("nvme_win10_0_issue_64", "Samsung SSD 980 PRO 1TB", "S5P2NG0NB05964V", "002538bb01501f70", 1000204886016, "ssd", "nvme", 13, "unproven"),
    Real("nvme_win10_mingw32_0_issue_48", "WDS100T3X0C-00SJG0", "20093F800129", "001b448b46ac714d", 1000204886016, "ssd", "nvme", 0, "refit"),
    Real("sas_hdd_0_issue_51", "HUH721212AL4204", "8DG3J2ZD", "5000cca253066624", 12000138625024, "hdd", "scsi", None, "refit"),
    Real("sas_ssd_0_issue_57", "MZILT7T6HALA/007", "S5DDNE0R801692", "5002538b1184df60", 7681501126656, "ssd", "scsi", 0, "refit"),
    Real("sat_hdd_0_issue70", "ST2000NM000A-2J2100", "WS10SM2A", "5000c500f129bee9", 2000398934016, "hdd", "ata", None, "refit"),
    Real("sat_ssd_0_issue_65", "HS-SSD-C100 120G", "30087840294", "50000000000027b6", 120034123776, "ssd", "ata", 0, "refit"),
    Real("sata_hdd_0_issue42", "OOS12000G", "00008AXB", "5000c500a4847915", 12000138625024, "hdd", "ata", None, "unproven"),
    Real("sata_hdd_1_issue46", "WDC WUH721816ALE6L4", "3WJMHZ6L", "5000cca284e50e06", 16000900661248, "hdd", "ata", None, "refit"),
    Real("sata_ssd_0_issue_49", "LITEONIT LCT-512L9S-11 2.5 7mm 512GB", "TW0HN71H5508549A1220", None, 512110190592, "ssd", "ata", 0, "refit"),
    Real("sata_ssd_1_issue_72", "Apacer AS340 240GB", "LKC125R001176", "502b2a201d1c1b1a", 240057409536, "ssd", "ata", None, "refit"),
    Real("sata_ssd_macos_0", "APPLE SSD SM0256F", "S1XXXXXXXXXXXX", "5002538655584d30", 251000193024, "ssd", "ata", 35, "refit"),
    Real("unsupported_0", "MR9361-16i", "00574c0df553f2000000349c07b26200", None, 959119884288, "unknown", "scsi", None, "unproven"),
    Real("usb_ssd_0_issue_50", "LITEONIT LCT-512L9S-11 2.5 7mm 512GB", "TW0HN71H5508549A1220", None, 512110190592, "ssd", "ata", 0, "refit"),
]  # fmt: skip
BY_NAME = pytest.mark.parametrize("real", REPORTS, ids=[real.name for real in REPORTS])


def _text(name: str) -> str:
    """For the extractor only: bytes as letters, separators kept apart from digits."""
    return real_reports()[name].decode("latin-1").replace("\r\n", "\n")


def _label(text: str, pattern: str) -> str | None:
    match = re.search(rf"^(?:{pattern}) *: *(.*?) *$", text, re.M | re.I)
    return match[1] if match else None


def _digits(text: str | None) -> int | None:
    digits = re.sub(r"\D", "", re.split(r"\[|bytes|%|Celsius", text)[0]) if text else ""
    return int(digits) if digits else None


def _row(text: str, identifier: int) -> int | None:
    """The first number of an attribute row's raw column: the tenth column."""
    match = re.search(rf"^ *{identifier} +\S+ +0x\w+(?: +\S+){{6}} +(\d+)", text, re.M)
    return int(match[1]) if match else None


def test_the_table_names_every_report() -> None:
    assert {real.name for real in REPORTS} == set(real_reports())
    assert len(REPORTS) == 34


@BY_NAME
def test_which_drive_a_report_is_about(real: Real) -> None:
    drive = reading_of(real_reports()[real.name], origin=real.name).drive
    assert (drive.model, drive.serial, drive.identity.wwn, drive.kind, drive.protocol) == (
        real.model,
        real.serial,
        real.wwn,
        real.kind,
        real.protocol,
    )
    assert drive.capacity_bytes == real.capacity_bytes


@BY_NAME
def test_the_expected_values_are_in_the_text(real: Real) -> None:
    text = _text(real.name)
    assert " ".join((_label(text, "Device Model|Model Number|Product") or "").split()) == real.model
    assert _label(text, "Serial Number") == real.serial
    size = _label(text, "User Capacity|Namespace 1 Size/Capacity") or _label(text, "Total NVM Capacity")
    assert _digits(size) == real.capacity_bytes
    if real.wwn:
        printed = _label(text, "LU WWN Device Id|Logical Unit id|Namespace 1 IEEE EUI-64") or ""
        assert printed.replace(" ", "").removeprefix("0x") == real.wwn


@BY_NAME
def test_a_real_report_gets_its_verdict(real: Real) -> None:
    reading = reading_of(real_reports()[real.name], origin=real.name)
    assessed = assess(reading)
    assert assessed.verdict == real.verdict
    assert reading.values.wear_percent_used == real.wear
    if any(gap.blocks for gap in reading.gaps):
        assert assessed.verdict == "unproven"


ATA_ROWS = {
    "reallocated": 5,
    "power_on_hours": 9,
    "spin_retries": 10,
    "power_cycles": 12,
    "end_to_end_errors": 184,
    "reported_uncorrectable": 187,
    "command_timeouts": 188,
    "reallocation_events": 196,
    "pending": 197,
    "offline_uncorrectable": 198,
    "crc_errors": 199,
}


@BY_NAME
def test_every_value_of_an_ata_drive(real: Real) -> None:
    if real.protocol != "ata":
        return
    values = reading_of(real_reports()[real.name], origin=real.name).values
    text = _text(real.name)
    assert {name: getattr(values, name) for name in ATA_ROWS} == {
        name: _row(text, identifier) for name, identifier in ATA_ROWS.items()
    }
    inside, airflow = _row(text, 194), _row(text, 190)
    assert values.temperature_celsius == (inside if inside is not None else airflow)
    assert values.error_log_count == (0 if "No Errors Logged" in text else None)
    printed = re.findall(r"^ *(\d+) +\S+ +0x\w{4} +(\d+) +(\d+) +(\S+) ", text, re.M)
    rows = reading_of(real_reports()[real.name], origin=real.name).attributes
    assert [(r.id, r.value, r.worst, r.threshold) for r in rows] == [
        (int(i), int(v), int(w), int(t) if t.isdigit() else None) for i, v, w, t in printed
    ]


NVME_LABELS = {
    "temperature_celsius": "Temperature",
    "available_spare_percent": "Available Spare",
    "spare_threshold_percent": "Available Spare Threshold",
    "wear_percent_used": "Percentage Used",
    "media_errors": "Media and Data Integrity Errors",
    "error_log_count": "Error Information Log Entries",
    "power_cycles": "Power Cycles",
    "power_on_hours": "Power On Hours",
    "unsafe_shutdowns": "Unsafe Shutdowns",
    "warning_temperature_minutes": "Warning +Comp. Temperature Time",
    "critical_temperature_minutes": "Critical Comp. Temperature Time",
}


@BY_NAME
def test_every_value_of_an_nvme_drive(real: Real) -> None:
    if real.protocol != "nvme":
        return
    values = reading_of(real_reports()[real.name], origin=real.name).values
    text = _text(real.name)
    assert {name: getattr(values, name) for name in NVME_LABELS} == {
        name: _digits(_label(text, label)) for name, label in NVME_LABELS.items()
    }
    assert values.critical_warnings == ()
    for value, label in ((values.host_bytes_read, "Read"), (values.host_bytes_written, "Written")):
        units = _label(text, f"Data Units {label}")
        assert value == (_digits(units) or 0) * 512_000  # NVMe base specification: a unit is 1,000 x 512 bytes
        if units and (size := re.search(r"\[([\d.,]+) ([MGT]B)\]", units)):  # the printed size is cut, not rounded
            scale = {"MB": 1e6, "GB": 1e9, "TB": 1e12}[size[2]]
            number = size[1].replace(",", ".")
            step = scale / 10 ** len(number.partition(".")[2])
            assert value is not None
            assert int(value / step) == round(float(number) * scale / step)


@BY_NAME
def test_every_value_of_a_scsi_drive(real: Real) -> None:
    if real.protocol != "scsi" or real.kind == "unknown":
        return
    values = reading_of(real_reports()[real.name], origin=real.name).values
    text = _text(real.name)
    last = {
        line.split(":")[0]: int(line.split()[-1]) for line in re.findall(r"^(?:read|write|verify): .*$", text, re.M)
    }
    assert (values.uncorrected_reads, values.uncorrected_writes, values.uncorrected_verifies) == (
        last["read"],
        last["write"],
        last["verify"],
    )
    assert values.grown_defects == _digits(_label(text, "Elements in grown defect list"))
    assert values.non_medium_errors == _digits(_label(text, "Non-medium error count"))
    hours = re.search(r"hours:minutes (\d+):", text)
    assert values.power_on_hours == (int(hours[1]) if hours else None)
    temperature = re.search(r"Current (?:Drive Temperature:|temperature =) *(\d+)", text)
    assert temperature is not None
    assert values.temperature_celsius == int(temperature[1])


@BY_NAME
def test_saved_readings_come_back_byte_for_byte(real: Real) -> None:
    saved = encode(reading_of(real_reports()[real.name], origin=real.name))
    assert encode(reading_of(saved, origin="saved")) == saved
