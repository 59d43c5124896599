"""The gate's items about drives: was the customer's read for this job, may it go back, is the new one the right one?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivecare.job.attestations import OPEN_SERIAL
from drivecare.job.commands import assess_command, inspect_command, plan_command, record_command
from drivecare.job.evacuated import check_evacuated
from drivecare.job.expected_drive import is_planned_drive, why_unlike
from drivecare.job.filed_readings import time_of_reading, why_outside_job
from drivecare.job.gate_evidence import Evidence, holds, lacks, recorded
from drivecare.job.gate_recheck import check_recheck
from drivecare.reading.identity import DriveId, compare, normalise_serial

if TYPE_CHECKING:
    from drivecare.fit.model import JudgedCandidate, Plan
    from drivecare.job.contents import FiledDocument
    from drivecare.job.job_state import JobState
    from drivecare.job.model import FactName
    from drivecare.reading.model import Drive
    from drivecare.risk.model import Assessment


def check_old_drive_read(job: JobState) -> Evidence:
    """The customer's drive was read and judged; if nothing is carried over, it may be recorded as dead instead."""
    reading, dead = job.old_drive, job.newest_fact("dead-drive")
    if reading is not None:
        evidence = f"{DriveId.of(reading.document.drive)}: {reading.document.verdict}"
        doubt, age = _doubt(job, reading), job.age(time_of_reading(reading))
        return (
            lacks(f"{evidence}; {doubt}", assess_command(job, another=doubt.unlike), age)
            if doubt
            else holds(evidence, age)
        )
    if dead is not None and job.route == "new-drive-empty":
        return recorded(job, dead, f"{dead.document.about} does not respond anywhere")
    if job.used_assessments:
        names = " and ".join(sorted({str(DriveId.of(filed.document.drive)) for filed in job.used_assessments}))
        return lacks(
            f"it is not known which drive is the customer's: {names}", record_command(job, "old-drive", OPEN_SERIAL)
        )
    return lacks("no reading filed", assess_command(job))


def check_old_drive_identity(job: JobState) -> Evidence:
    """The customer's drive identified itself."""
    dead = job.newest_fact("dead-drive")
    if job.old_drive is None and dead is not None and job.route == "new-drive-empty":
        return recorded(job, dead, f"from its label: {dead.document.about}")
    return _check_identity(job, job.old_drive, assess_command(job))


def check_new_drive_identity(job: JobState) -> Evidence:
    """The new drive identified itself."""
    return _check_identity(job, job.new_drive, inspect_command(job))


def _check_identity(job: JobState, reading: FiledDocument[Assessment] | None, read_command: str) -> Evidence:
    """A drive identified itself, or its label was recorded."""
    if reading is None:
        return lacks("no drive was read", read_command)
    drive = reading.document.drive
    name, age = DriveId.of(drive), job.age(time_of_reading(reading))
    if name.strong:
        number = f"WWN {drive.identity.wwn}" if drive.identity.wwn else f"serial {drive.identity.native_serial}"
        return holds(f"{name}, by its own {number}", age)
    if name.attested(job.logged_serials):
        return holds(f"{name}, behind a bridge; label read by hand", age)
    strength = "hides its" if drive.identity.strength == "weak" else "gives no"
    evidence = f"{name}: the bridge {strength} identity; use another dock"
    if drive.serial:
        return lacks(f"{evidence}, or record the label", record_command(job, "weak-identity", OPEN_SERIAL), age)
    return lacks(evidence, read_command, age)


def check_verdict(job: JobState) -> Evidence:
    """The drive may go back: refit, or recheck with its way out done."""
    reading = job.old_drive
    if reading is None:
        return lacks("no verdict", assess_command(job))
    assessment, age = reading.document, job.age(time_of_reading(reading))
    trouble = job.trouble_since(reading)
    if trouble is not None and assessment.verdict in ("refit", "recheck"):
        return lacks(f"{assessment.verdict}, but since then {trouble}: judge it again", assess_command(job), age)
    if assessment.verdict in ("refit", "recheck") and (evidence := check_evacuated(job, reading)):
        return evidence
    if assessment.verdict == "recheck":
        return check_recheck(job, assessment, age)
    sentence = f"{assessment.verdict}: {assessment.headline}"
    if assessment.verdict == "refit":
        return holds(sentence, age)
    return lacks(sentence, assess_command(job) if assessment.verdict == "unproven" else plan_command(job), age)


def check_plan(job: JobState) -> Evidence:
    """A plan for this unit and this drive chose a drive that fits."""
    if job.plan is None:
        return lacks("none filed yet", plan_command(job))
    plan, age = job.plan.document, job.age(job.plan.filed_at)
    chosen, problem = plan.chosen_drive, _plan_problem(job, plan)
    if chosen is None or problem:
        return lacks(problem or _why_none_is_chosen(plan), plan_command(job), age)
    return holds(f"{chosen.name} fits {plan.host_name}", age)


def _why_none_is_chosen(plan: Plan) -> str:
    """Say what a person does before the same plan is worth making again."""
    if any(candidate.fits == "unknown" for candidate in plan.candidates):
        return "no drive in it certainly fits: enter what is missing in the stock list, then plan again"
    count = len(plan.candidates)
    tried = f"none of {count:,} drives fits" if count > 1 else "the drive tried does not fit"
    tried = tried if count else "no drive was tried"
    return f"{tried}: order one (plan --order), enter it in the stock list, then plan again"


def _plan_problem(job: JobState, plan: Plan) -> str:
    """Say what keeps a plan from being the one for this job; "" if nothing does."""
    drive = job.old_drive.document.drive if job.old_drive is not None else None
    if plan.host != job.opening.host:
        return f"made for {plan.host}, but this unit is {job.opening.host}"
    if drive is not None and plan.source is None:
        return f"made for no particular drive, not for {DriveId.of(drive)}"
    if drive is not None and plan.source and compare(plan.source, drive, labels=job.logged_serials) != "yes":
        return f"made for {DriveId.of(plan.source)}, not for {DriveId.of(drive)}"
    chosen = plan.chosen_drive
    if chosen is None or chosen.fits == "yes":
        return ""
    return f"{chosen.name} does not fit" if chosen.fits == "no" else f"it is not known whether {chosen.name} fits"


def check_inspection(job: JobState) -> Evidence:
    """The new drive passed its incoming inspection."""
    reading = job.new_drive
    if reading is None:
        return lacks("the new drive was not read yet", inspect_command(job))
    assessment, trouble = reading.document, job.trouble_since(reading)
    name, verdict = DriveId.of(assessment.drive), assessment.verdict
    if trouble is not None and verdict == "refit":
        return lacks(f"{name}: refit, but since then {trouble}: judge it again", inspect_command(job))
    evidence, doubt = f"{name}, judged as new: {verdict}", _doubt(job, reading)
    if doubt:
        return lacks(f"{evidence}; {doubt}", inspect_command(job, another=doubt.unlike))
    age = job.age(time_of_reading(reading))
    if verdict == "refit":
        return holds(evidence, age)
    return lacks(f"{evidence}: {assessment.headline}", inspect_command(job, another=True), age)


def check_fitted_is_planned(job: JobState) -> Evidence:
    """The drive on the bench is the one the plan chose."""
    if job.new_drive is None:
        return lacks("no new drive was read", inspect_command(job))
    chosen = job.plan.document.chosen_drive if job.plan is not None else None
    if job.plan is None or chosen is None:
        return lacks("no drive is planned", plan_command(job))
    drive, age = job.new_drive.document.drive, job.age(job.plan.filed_at)
    name, plan_anew = DriveId.of(drive), plan_command(job, around=True)
    match is_planned_drive(chosen, name, job.logged_serials):
        case "yes":
            difference = _difference_from_plan(chosen, drive)
            if difference:
                return lacks(f"{name} is the planned drive, but {difference}", plan_anew)
            return holds(f"{name} is the planned drive", age)
        case "no":
            return lacks(f"planned was {chosen.name}, but {name} was read", plan_anew, age)
    return lacks(f"the plan does not say which {chosen.name} it means", plan_anew, age)


def _difference_from_plan(chosen: JudgedCandidate, drive: Drive) -> str:
    """Say where the drive as read is not what the plan took it for; "" if they agree as far as both are known."""
    sizes = (
        ("bytes", chosen.capacity_bytes, drive.capacity_bytes),
        ("bytes per sector", chosen.logical_sector_bytes, drive.logical_sector_bytes),
    )
    return "; ".join(
        f"planned with {planned:,} {unit}, read with {read:,}"
        for unit, planned, read in sizes
        if planned is not None and read is not None and planned != read
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class _Doubt:
    """Why a reading does not count for the job; `unlike`: of the wrong drive, so that reading it again is no help."""

    sentence: str
    unlike: bool

    def __str__(self) -> str:
        return self.sentence


def _doubt(job: JobState, reading: FiledDocument[Assessment]) -> _Doubt | None:
    """Find why a reading of a known drive does not count for this job: its time, or a drive unlike the unit's.

    Returns None if nothing is in doubt, or a person recorded why it counts nevertheless.
    """
    doubts: tuple[tuple[FactName, str, str], ...] = (
        ("earlier-reading", why_outside_job(reading, opened=job.opened_at, now=job.now), "read it again"),
        ("unlike-profile", why_unlike(reading.document.drive, job.opening.built_for), "read the right one"),
    )
    for fact, reason, way_out in doubts:
        if reason and not _is_explained(job, fact, reading):
            sentence = f"{reason}: {way_out}, or record {fact} {reading.document.drive.serial or 'SERIAL'}"
            return _Doubt(sentence=sentence, unlike=fact == "unlike-profile")
    return None


def _is_explained(job: JobState, name: FactName, reading: FiledDocument[Assessment]) -> bool:
    """Whether a person explained it after this reading was filed, by the serial number of its drive."""
    serial = normalise_serial(reading.document.drive.serial)
    return serial != "" and any(
        fact.number > reading.number and normalise_serial(fact.document.about) == serial
        for fact in job.facts_named(name)
    )
