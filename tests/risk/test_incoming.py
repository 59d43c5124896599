"""Drives sold as new: what gives a used or altered one away."""

from __future__ import annotations

import pytest

from drivecare.risk.assess import assess
from drivecare.risk.model import EXIT_CODES
from tests.risk.drives import hdd
from tests.risk.incoming_drives import INCOMING, Incoming
from tests.risk.scenarios import SCENARIOS, Scenario


@pytest.mark.parametrize("case", INCOMING, ids=[case.id for case in INCOMING])
def test_delivery(case: Incoming) -> None:
    assessment = assess(case.reading, as_new=True)
    asking = {finding.signal for finding in assessment.findings if finding.severity != "note"}
    asking -= set() if "estimate" in case.signals else {"estimate"}
    assert (assessment.verdict, asking) == (case.verdict, set(case.signals))


@pytest.mark.parametrize("case", SCENARIOS, ids=[case.id for case in SCENARIOS])
def test_never_evacuated_and_sent_back_above_refit(case: Scenario) -> None:
    assessment = assess(case.reading, as_new=True, **case.given)
    used = assess(case.reading, **case.given).verdict
    assert assessment.verdict in ("replace", "unproven" if used == "unproven" else "refit")
    assert assessment.exit_code == EXIT_CODES[assessment.verdict]
    if used in ("recheck", "replace", "evacuate"):
        assert assessment.verdict == "replace"
    if assessment.verdict == "replace":
        assert "end it back" in assessment.headline


def test_use_is_no_finding_in_a_used_drive() -> None:
    used = assess(hdd(power_cycles=4_000, host_bytes_written=10**14))
    assert (used.sale, used.verdict, used.findings) == ("used", "refit", ())
