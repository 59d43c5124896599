from __future__ import annotations

from pathlib import Path

import pytest

from drivecare.hardware.heat import EVERY_SECONDS, Heat


def tree(root: Path, now: str, limit: str | None, place: str = "device/hwmon/hwmon3") -> Path:
    sensor = root / "sys/block/sdx" / place
    sensor.mkdir(parents=True)
    (sensor / "temp1_input").write_text(now + "\n")
    if limit is not None:
        (sensor / "temp1_max").write_text(limit + "\n")
    return sensor


@pytest.mark.parametrize("place", ["device/hwmon/hwmon3", "device/hwmon3"], ids=["drivetemp", "nvme"])
def test_above_its_own_limit(tmp_path: Path, place: str) -> None:
    tree(tmp_path, "61000", "60000", place)
    assert Heat("/dev/sdx", root=tmp_path).reason() == "/dev/sdx is at 61 °C, above its own limit of 60 °C: let it cool"


@pytest.mark.parametrize(("now", "limit"), [("60000", "60000"), ("99000", None), ("99000", "0"), ("warm", "60000")])
def test_no_reason_without_a_limit_that_is_crossed(tmp_path: Path, now: str, limit: str | None) -> None:
    tree(tmp_path, now, limit)
    assert Heat("/dev/sdx", root=tmp_path).reason() is None


def test_no_sensor(tmp_path: Path) -> None:
    assert Heat("/dev/sdx", root=tmp_path).reason() is None


def test_it_is_looked_at_every_half_minute(tmp_path: Path) -> None:
    now = [0.0]
    sensor = tree(tmp_path, "40000", "60000")
    heat = Heat("/dev/sdx", root=tmp_path, clock=lambda: now[0])
    assert heat.reason() is None
    (sensor / "temp1_input").write_text("70000\n")
    assert heat.reason() is None
    now[0] = EVERY_SECONDS
    assert heat.reason() is not None
    assert heat.reason() is not None, "whoever asks next is told, too"
