"""A drive's own warning of any kind never ends in refit: every SCSI sense code, every NVMe warning bit."""

from __future__ import annotations

import re

import pytest

from drivecare.reading.decode import decode_report
from drivecare.risk.assess import assess
from drivecare.risk.model import Verdict
from tests.reading.recorded import report

TEST_OF_THE_ALARM = (0x5D, 0xFF)


def sas_verdict(code: int, qualifier: int) -> Verdict:
    """The verdict on a SAS drive with nothing against it but this sense code."""
    words = f"SMART Health Status: SOMETHING [asc={code:x}, ascq={qualifier:x}]"
    return assess(decode_report(report("sas-nothing-against-it").replace("SMART Health Status: OK", words))).verdict


def nvme_verdict(warnings: int, result: str) -> Verdict:
    """The verdict on an NVMe drive with nothing against it but these warning bits."""
    text = re.sub(r"(?m)^(Critical Warning: +)0x00", rf"\g<1>0x{warnings:02x}", report("nvme-nothing-against-it"))
    assert f"0x{warnings:02x}" in text
    return assess(decode_report(text.replace("test result: PASSED", f"test result: {result}"))).verdict


@pytest.mark.promise(4)
@pytest.mark.parametrize("code", range(1, 256))
def test_no_sense_code_ends_in_refit(code: int) -> None:
    qualifiers = range(256) if code in (0x0B, 0x5D) else (0, 1, 0x7F, 0xFF)
    refitted = [qualifier for qualifier in qualifiers if sas_verdict(code, qualifier) == "refit"]
    assert refitted == ([0xFF] if code == TEST_OF_THE_ALARM[0] else [])


def test_sense_zero_is_no_warning() -> None:
    assert sas_verdict(0, 0) == "refit"


@pytest.mark.promise(4)
@pytest.mark.parametrize("result", ["PASSED", "FAILED!"])
def test_no_warning_bit_ends_in_refit(result: str) -> None:
    verdicts = {warnings: nvme_verdict(warnings, result) for warnings in range(1, 256)}
    assert [warnings for warnings, verdict in verdicts.items() if verdict in ("refit", "unproven")] == []
    assert {verdict for warnings, verdict in verdicts.items() if warnings & 0b1100} == {"evacuate"}


@pytest.mark.parametrize("qualifier", [3, 4, 5])
def test_a_scan_or_test_of_its_own_that_failed_is_at_least_replace(qualifier: int) -> None:
    """INCITS 513 SPC-4, 0B/03 background self-test failed, 0B/04 and 0B/05 a scan met a medium error."""
    assert sas_verdict(0x0B, qualifier) == "replace"


def test_a_health_status_without_its_code_is_a_warning_too() -> None:
    text = report("sas-nothing-against-it")
    assert assess(decode_report(text.replace("Status: OK", "Status: WARNING"))).verdict == "recheck"
