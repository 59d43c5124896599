"""More of anything bad never eases the verdict and never lowers the estimate."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from drivecare.reading.model import Drive, Reading
from drivecare.risk.assess import assess
from drivecare.risk.model import Assessment
from tests.risk.drives import HDD, NVME, SAS, SATA_SSD, hdd, logged, nvme, reading, self_tests

BETTER_TO_WORSE = ("refit", "recheck", "replace", "evacuate")
COUNTS = {
    "ata hdd": (
        "reallocated",
        "reallocation_events",
        "pending",
        "pending_log_entries",
        "offline_uncorrectable",
        "reported_uncorrectable",
        "command_timeouts",
        "end_to_end_errors",
        "spin_retries",
        "crc_errors",
        "phy_errors",
    ),
    "ata ssd": (
        "reallocated",
        "reported_uncorrectable",
        "end_to_end_errors",
        "program_failures",
        "erase_failures",
        "crc_errors",
        "wear_percent_used",
    ),
    "nvme ssd": ("media_errors", "wear_percent_used", "critical_temperature_minutes", "warning_temperature_minutes"),
    "scsi hdd": (
        "grown_defects",
        "uncorrected_reads",
        "uncorrected_writes",
        "uncorrected_verifies",
        "background_scan_errors",
        "non_medium_errors",
    ),
}
WARNINGS = ("spare", "temperature", "reliability", "read-only", "power-backup", "persistent-memory", "bit-6")
count = st.one_of(st.integers(0, 12), st.integers(0, 1_000_000))

# One hard drive from healthy to dying.
DECLINE = (
    hdd(),
    hdd(command_timeouts=1),
    hdd(reallocated=1),
    hdd(reallocated=8),
    hdd(reallocated=60),
    hdd(reallocated=300),
    hdd(reallocated=300, reported_uncorrectable=1),
    hdd(reallocated=300, reported_uncorrectable=12),
    hdd(reallocated=300, reported_uncorrectable=12, offline_uncorrectable=2),
    hdd(reallocated=300, reported_uncorrectable=12, offline_uncorrectable=2, pending=2),
    hdd(reallocated=1_200, reported_uncorrectable=90, offline_uncorrectable=24, pending=24),
    hdd(reallocated=9_000, reported_uncorrectable=900, offline_uncorrectable=900, pending=900),
)
NVME_DECLINE = (
    nvme(),
    nvme(wear_percent_used=92),
    nvme(wear_percent_used=92, media_errors=4),
    nvme(wear_percent_used=110, media_errors=4),
    nvme(wear_percent_used=130, media_errors=400, available_spare_percent=4),
    nvme(wear_percent_used=130, media_errors=400, available_spare_percent=4, critical_warnings=("read-only",)),
)


def _no_milder(before: Assessment, after: Assessment) -> bool:
    eased = BETTER_TO_WORSE.index(after.verdict) < BETTER_TO_WORSE.index(before.verdict)
    earlier, now = before.failure_12_months.estimate, after.failure_12_months.estimate
    return not eased and earlier is not None and now is not None and now >= earlier


def test_decline_never_looks_better() -> None:
    for line in (DECLINE, NVME_DECLINE):
        steps = [assess(sample) for sample in line]
        assert all(_no_milder(before, after) for before, after in pairwise(steps))
        assert (steps[0].verdict, steps[-1].verdict) == ("refit", "evacuate")


@st.composite
def _drive_and_worse(draw: st.DrawFn) -> tuple[Reading, Reading]:
    """A reading, and the same with any of its bad signals raised."""
    drive: Drive = draw(st.sampled_from((HDD, SATA_SSD, NVME, SAS)))
    names = COUNTS[f"{drive.protocol} {drive.kind}"]
    values: dict[str, Any] = {name: draw(count) for name in names}
    worse: dict[str, Any] = {name: values[name] + draw(count) for name in names}
    if drive is NVME:
        warned = draw(st.sets(st.sampled_from(WARNINGS)))
        values["critical_warnings"] = tuple(sorted(warned))
        worse["critical_warnings"] = tuple(sorted(warned | draw(st.sets(st.sampled_from(WARNINGS)))))
        values["available_spare_percent"] = draw(st.integers(0, 100))
        worse["available_spare_percent"] = draw(st.integers(0, values["available_spare_percent"]))
    test = draw(st.sampled_from((None, "passed", "aborted")))
    failed = draw(st.sampled_from((test, "read", "unknown-element")))
    own_verdict = draw(st.sampled_from(("passed", "failing")))
    worse_verdict = "failing" if draw(st.booleans()) else own_verdict
    if drive is NVME:  # its overall verdict is made of its warnings and nothing else
        own_verdict, worse_verdict = ("failing" if v["critical_warnings"] else "passed" for v in (values, worse))
    errors = logged("uncorrectable", count=draw(count), newest=draw(st.integers(0, 21_904)))
    first = reading(drive, values=values, drive_says=own_verdict, selftests=_one_test(test), errors=errors)
    second = reading(drive, values=worse, drive_says=worse_verdict, errors=errors)
    return first, msgspec.structs.replace(second, selftests=_one_test(failed))


def _one_test(result: str | None) -> tuple[object, ...]:
    return self_tests(("Extended", result, 21_000, None)) if result else ()


@settings(max_examples=400, deadline=None)
@given(_drive_and_worse())
def test_more_of_a_bad_signal_never_eases(pair: tuple[Reading, Reading]) -> None:
    before, after = (assess(sample) for sample in pair)
    assert _no_milder(before, after)
