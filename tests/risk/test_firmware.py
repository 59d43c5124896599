"""Firmware that fails its drive: the report's own warning, and the open table of versions."""

from __future__ import annotations

import re

import msgspec
import pytest

from drivecare.reading.decode import decode_report
from drivecare.reading.model import Drive
from drivecare.risk.assess import assess
from drivecare.risk.firmware import find_firmware_defects, load_firmware_defects
from tests.reading.recorded import report
from tests.risk.drives import SATA_SSD, reading

WARNED = report("ssd-nothing-against-it").replace(
    "Local Time is:",
    "==> WARNING: This drive may hang after 5184 hours of power-on time:\n"
    "http://example.org/hang\nSee the following web pages for firmware updates:\nhttp://example.org/update\n\n"
    "Local Time is:",
    1,
)


def test_the_reports_own_warning_is_said_and_no_verdict() -> None:
    plain, warned = decode_report(report("ssd-nothing-against-it")), decode_report(WARNED)
    assert warned.drive.firmware_warning == (
        "This drive may hang after 5184 hours of power-on time: http://example.org/hang "
        "See the following web pages for firmware updates: http://example.org/update"
    )
    assert plain.drive.firmware_warning is None
    assert msgspec.structs.replace(warned.drive, firmware_warning=None) == plain.drive
    assessment = assess(warned)
    assert assessment.verdict == assess(plain).verdict
    (finding,) = [finding for finding in assessment.findings if finding.signal == "firmware_warning"]
    assert finding.severity == "note"


@pytest.mark.parametrize(("hours", "words"), [(5_180, "4 hours from now"), (9_000, "those hours are past"), (None, "")])
def test_a_known_version_asks_for_a_recheck_and_says_when(hours: int | None, words: str) -> None:
    drive = msgspec.structs.replace(SATA_SSD, model="M4-CT128M4SSD2", firmware="0009")
    assessment = assess(reading(drive, values={"power_on_hours": hours}))
    (finding,) = [finding for finding in assessment.findings if finding.signal == "firmware_defect"]
    assert assessment.verdict == "recheck"
    assert words in finding.detail
    assert "5,184" in finding.detail
    assert "From memory" in finding.detail
    mended = msgspec.structs.replace(drive, firmware="0309")
    assert "firmware_defect" not in {finding.signal for finding in assess(reading(mended)).findings}


def test_other_models_and_unknown_versions_match_nothing() -> None:
    for drive in (
        Drive(),
        Drive(model="M4-CT128M4SSD2"),
        Drive(firmware="0009"),
        Drive(model="Kestrel", firmware="0009"),
    ):
        assert list(find_firmware_defects(drive)) == []


@pytest.mark.parametrize("defect", load_firmware_defects(), ids=lambda defect: f"{defect.model} {defect.versions}")
def test_every_entry_can_match_and_not_its_own_cure(defect: object) -> None:
    assert defect.what[0].islower()  # type: ignore[attr-defined]
    assert re.compile(defect.model)  # type: ignore[attr-defined]
    if defect.fixed:  # type: ignore[attr-defined]
        assert not re.search(defect.versions, defect.fixed, re.I)  # type: ignore[attr-defined]
