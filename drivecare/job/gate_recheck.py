"""Whether a recheck is cleared by a person's word: its way out was taken, and nothing has grown since.

    reading  ->  way out recorded  ->  reading

A person records and reads in any order. Readings on one side of the record alone are not enough: nothing in the record
says whether the work was done before them or after. Then it is said what is still needed, and what has not
grown so far.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivecare.clock import parse_timestamp
from drivecare.format import format_value, join_some
from drivecare.job.commands import assess_command, plan_command, record_command
from drivecare.job.filed_readings import taken_at
from drivecare.job.gate_evidence import Evidence, holds, lacks
from drivecare.reading.identity import compare

if TYPE_CHECKING:
    from drivecare.job.contents import FiledDocument
    from drivecare.job.job_state import JobState
    from drivecare.job.model import Fact
    from drivecare.risk.model import Assessment, Finding

_NOT_COMPARED = "estimate"  # it grows with age alone


@dataclass(frozen=True, kw_only=True, slots=True)
class _Step:
    """One finding in two readings; `before` is None where only the later one has it."""

    now: Finding
    before: Finding | None

    @property
    def grown(self) -> bool:
        """Whether it is new, larger, or something that cannot be compared."""
        if self.before is None:
            return True
        value, earlier = self.now.observed, self.before.observed
        if isinstance(value, int | float) and isinstance(earlier, int | float):
            return value > earlier
        return (value, self.now.detail) != (earlier, self.before.detail)

    def __str__(self) -> str:
        if self.before is None:
            return f"{self.now.label}: new"
        if self.now.observed is None or self.before.observed is None:
            return f"{self.now.label}: {'not as before' if self.grown else 'as before'}"
        return f"{self.now.label}: {format_value(self.before.observed)} before, {format_value(self.now.observed)} now"


def check_recheck(job: JobState, assessment: Assessment, age: str) -> Evidence:
    """Check that the way out of a recheck was recorded between two readings, and that nothing has grown from one to
    the other.
    """
    fact = job.newest_fact("way-out")
    before, after = _readings_around(job, fact)
    record = record_command(job, "way-out")
    if fact is None:
        way_out = assessment.way_out or assessment.headline
        return lacks(
            f"recheck, its way out not taken: {way_out[:1].lower()}{way_out[1:]}{_so_far(before)}", record, age
        )
    if not before:
        problem = f"there is no earlier reading to compare with{_so_far(after)}"
        way = "do it again and record it, then read the drive once more"
        return lacks(f"recheck: way out recorded before the drive was read, so {problem}; {way}", record, age)
    if not after:
        problem = f"but not read again since{_so_far(before)}; read the drive once more"
        return lacks(f"recheck: way out recorded, {problem}", assess_command(job), age)
    steps = _compare(before[-1], after[-1])
    grown = [step for step in steps if step.grown]
    if not grown:
        return holds(f"recheck cleared: nothing has grown since the way out{_listed(steps)}", age)
    worse = f"recheck: worse since the way out{_listed(grown)}"
    if all(step.now.fault_class == "link" for step in grown):
        advice = "the cable, port or dock in use now is still at fault: change one, record that, then read again"
        return lacks(f"{worse}; {advice}", record, age)
    return lacks(worse, plan_command(job), age)


def _readings_around(job: JobState, way_out: FiledDocument[Fact] | None) -> tuple[list[Assessment], list[Assessment]]:
    """Divide the readings of certainly the same drive into those taken before the way out was recorded and since."""
    newest = job.old_drive
    recorded_at = None if way_out is None else parse_timestamp(way_out.document.at) or way_out.filed_at
    before: list[Assessment] = []
    after: list[Assessment] = []
    for reading in job.old_drive_readings:
        read_at, drive = taken_at(reading), reading.document.drive
        if newest is None or read_at is None:
            continue
        if reading is newest or compare(drive, newest.document.drive, labels=job.logged_serials) == "yes":
            (before if recorded_at is None or read_at <= recorded_at else after).append(reading.document)
    return before, after


def _so_far(readings: list[Assessment]) -> str:
    """Say how the last two readings compare, as the end of a sentence; "" if there are not two."""
    return _listed(_compare(*readings[-2:]), " (", ")") if len(readings) > 1 else ""


def _listed(steps: list[_Step], before: str = ": ", after: str = "") -> str:
    return f"{before}{join_some([str(step) for step in steps], 3, '; ')}{after}" if steps else ""


def _compare(earlier: Assessment, later: Assessment) -> list[_Step]:
    """Pair what the later reading still asks for with the same in the earlier one."""
    findings = {finding.signal: finding for finding in earlier.findings}
    return [
        _Step(now=finding, before=findings.get(finding.signal))
        for finding in later.findings
        if finding.severity != "note" and finding.signal != _NOT_COMPARED
    ]
