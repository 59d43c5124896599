"""What stands between a reader and a whole drive: locks, other namespaces, devices that are no drives, packed hours."""

from __future__ import annotations

import pytest

from drivecare.reading.decode import decode_report
from drivecare.risk.assess import assess
from tests.reading.recorded import report

LOCKED, NVME, VOLUME = (report(name) for name in ("hdd-locked", "nvme-nothing-against-it", "raid-volume"))
SECURITY = next(line for line in LOCKED.split("\n") if "ATA Security" in line)


def _finding(text: str, signal: str) -> tuple[str, str]:
    finding = next(finding for finding in assess(decode_report(text)).findings if finding.signal == signal)
    return f"{finding.detail} {finding.why}", finding.action


@pytest.mark.parametrize(
    ("words", "level", "exceeded"),
    [
        ("ENABLED, PW level HIGH, **LOCKED** [SEC4]", "high", False),
        ("ENABLED, PW level MAX, **LOCKED** [SEC4]", "maximum", False),
        ("ENABLED, PW level MAX, **LOCKED**, PW ATTEMPTS EXCEEDED [SEC4]", "maximum", True),
        ("Disabled, NOT FROZEN [SEC1]", None, None),
    ],
)
def test_password_level_and_attempts(words: str, level: str | None, exceeded: bool | None) -> None:
    drive = decode_report(LOCKED.replace(SECURITY, f"ATA Security is:  {words}")).drive
    assert (drive.password_level, drive.password_attempts_exceeded) == (level, exceeded)


def test_advice_on_a_lock_begins_with_a_power_cycle_and_says_what_each_level_can_still_do() -> None:
    text = LOCKED.replace(SECURITY, "ATA Security is:  ENABLED, PW level MAX, **LOCKED**, PW ATTEMPTS EXCEEDED [SEC4]")
    detail, action = _finding(text, "security")
    assert action.startswith("Switch the drive's power off and on before any password is tried")
    assert "attempts are used up" in detail
    assert "can only erase" in detail
    detail, _ = _finding(LOCKED.replace(SECURITY, "ATA Security is:  ENABLED, PW level HIGH, **LOCKED**"), "security")
    assert "attempts" not in detail
    assert "can only erase" not in detail


def _with_namespaces(total: str = "1,024,209,543,168") -> str:
    size = next(line for line in NVME.split("\n") if line.startswith("Namespace 1 Size"))
    whole = next(line for line in NVME.split("\n") if line.startswith("Total NVM Capacity"))
    second = "Namespace 2 Size/Capacity:          512,099,352,576 [512 GB]"
    return NVME.replace(whole, f"Total NVM Capacity: {total}").replace(size, f"{size}\n{second}")


def test_the_namespaces_of_a_drive_are_named() -> None:
    reading = decode_report(_with_namespaces())
    assert [space.number for space in reading.drive.namespaces] == [1, 2]
    assert reading.drive.namespaces[1].capacity_bytes == 512_099_352_576
    assessment = assess(reading)
    assert "hidden_area" not in {finding.signal for finding in assessment.findings}
    text, action = _finding(_with_namespaces(), "other_namespaces")
    assert "namespaces 1 (512 GB), 2 (512 GB)" in text
    assert "A copy of one leaves the others" in text
    assert "each" in action


def test_one_namespace_over_the_whole_drive_says_nothing() -> None:
    assert "other_namespaces" not in {finding.signal for finding in assess(decode_report(NVME)).findings}


@pytest.mark.parametrize(
    ("device_type", "name"),
    [
        ("enclosure", "an enclosure"),
        ("tape", "a tape drive"),
        ("CD/DVD", "an optical drive"),
        ("processor", "a processor"),
    ],
)
def test_a_device_that_is_no_drive_is_named(device_type: str, name: str) -> None:
    text = VOLUME.replace("Device type:          disk", f"Device type:          {device_type}")
    text = text.replace("0x600ab1c2000000417", "0x50ab1c2000000417").replace("Logical Volume", "RK-ENC-12")
    reading = decode_report(text)
    assert reading.drive.virtual is not None
    assert reading.drive.virtual.startswith(name)
    (gap,) = [gap for gap in reading.gaps if gap.blocks]
    assert gap.code == "not-a-drive"
    assert assess(reading).verdict == "unproven"


def test_the_hottest_sensor_is_told() -> None:
    sensors = "Temperature Sensor 1:               41 Celsius\nTemperature Sensor 2:               112 Celsius"
    hot = NVME.replace("Temperature Sensor 1:               41 Celsius", sensors)
    reading = decode_report(hot)
    assert reading.values.hottest_sensor_celsius == 112
    assert reading.values.temperature_celsius == 41
    assert assess(reading).verdict == "recheck"
    assert "hottest_sensor_celsius" not in {finding.signal for finding in assess(decode_report(NVME)).findings}


@pytest.mark.parametrize("raw", [21904 | 35 << 32, 21904 | 0x1234 << 32, 21904 | 1 << 47])
def test_hours_packed_below_other_numbers_are_taken_with_a_note(raw: int) -> None:
    text = report("hdd-nothing-against-it").replace("       21904\n", f"       {raw}\n")
    reading = decode_report(text)
    assert reading.values.power_on_hours == 21904
    assert "hours-packed" in {gap.code for gap in reading.gaps}
    assert assess(reading).verdict == "refit"


@pytest.mark.parametrize("raw", [400_000, 400_000 | 35 << 32, 35 << 32])
def test_hours_that_no_half_explains_stay_unknown(raw: int) -> None:
    text = report("hdd-nothing-against-it").replace("       21904\n", f"       {raw}\n")
    reading = decode_report(text)
    assert reading.values.power_on_hours is None
    assert "hours-implausible" in {gap.code for gap in reading.gaps}
