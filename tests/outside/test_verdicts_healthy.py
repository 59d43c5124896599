"""Verdicts on the 34 real reports in pySMART's source distribution, nearly all of healthy drives at work."""

from __future__ import annotations

import pytest

from drivecare.reading.decode import decode_report
from drivecare.risk.assess import assess
from tests.outside.recorded import real_reports

# A RAID volume twice, and two drives in the middle of an extended self-test.
NOT_JUDGED = {"megaraid_vd_0", "unsupported_0", "sata_hdd_0_issue42", "nvme_win10_0_issue_64"}


def _text(content: bytes) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return content.decode("cp1252")


@pytest.mark.promise(4)
def test_healthy_drives_are_refit_and_the_unjudgeable_unproven() -> None:
    reports = real_reports()
    verdicts = {name: assess(decode_report(_text(content))).verdict for name, content in reports.items()}
    assert {name for name, verdict in verdicts.items() if verdict == "unproven"} == NOT_JUDGED & set(reports)
    assert {verdict for name, verdict in verdicts.items() if name not in NOT_JUDGED} == {"refit"}
