"""Verdicts on recorded reports, against what careful technicians wrote beside them.

fixtures/reports/index.toml: the first eight are real drives in trouble found in public reports, the others are
invented.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from drivecare.reading.decode import decode_report
from drivecare.risk.assess import assess

REPORTS = Path(__file__).parents[2] / "fixtures" / "reports"
INDEX: dict[str, dict[str, Any]] = tomllib.loads((REPORTS / "index.toml").read_text("utf-8"))


def _read(name: str) -> str:
    return (REPORTS / f"{name}.txt").read_bytes().decode("utf-8", "replace")


@pytest.mark.parametrize("name", [name for name in INDEX if "verdict" in INDEX[name]])
def test_a_recorded_report_gets_the_verdict_written_beside_it(name: str) -> None:
    entry = INDEX[name]
    assessment = assess(decode_report(_read(name)))
    assert assessment.verdict in {entry["verdict"], *entry.get("also", ())}


@pytest.mark.parametrize(
    ("name", "verdict", "fault_class"),
    [
        ("hdd-pending-2544", "evacuate", "media"),
        ("hdd-test-failed-packed-counts", "evacuate", "media"),
        ("hdd-link-errors-only", "recheck", "link"),
        ("ssd-worn-out", "evacuate", "wear"),
        ("nvme-media-errors", "replace", "media"),
        ("sas-predicts-failure", "evacuate", "media"),
        ("usb-bridge-blocked", "unproven", "link"),
        ("hdd-pending-1971-brief-table", "evacuate", "media"),
    ],
)
def test_eight_real_drives_in_trouble_get_a_technicians_verdict(name: str, verdict: str, fault_class: str) -> None:
    assessment = assess(decode_report(_read(name)))
    assert assessment.verdict == verdict
    assert fault_class in assessment.fault_classes
