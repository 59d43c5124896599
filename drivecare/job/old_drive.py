"""The gate's items about the customer's drive: was it read for this job, is it this unit's, may it go back?"""

from __future__ import annotations

from datetime import datetime

from drivecare.clock import parse_timestamp
from drivecare.format import join_and
from drivecare.job.filed_readings import taken_at, time_of_reading
from drivecare.job.folder import FiledDocument
from drivecare.job.gate_items import doubt_of, fact_item, identity_item, plan_command
from drivecare.job.job_state import JobState, newest_of
from drivecare.job.model import Fact, GateItem
from drivecare.job.times import age
from drivecare.reading.identity import DriveId, compare
from drivecare.risk.model import Assessment


def check_old_drive_read(case: JobState) -> GateItem:
    """The customer's drive was read and judged, or is recorded as dead where nothing is carried over."""
    read, dead = newest_of(case.old_drive_readings), case.newest_fact("dead-drive")
    if read is not None:
        against = doubt_of(case, read)
        return GateItem(
            item="old-drive-read",
            holds=not against,
            evidence=f"{DriveId.of(read.document.drive)}: {read.document.verdict}{'; ' if against else ''}{against}",
            age=age(time_of_reading(read), case.now),
            next=case.command("assess", "DRIVE") if against else None,
        )
    if dead is not None and case.route == "new-drive-empty":
        return fact_item(case, "old-drive-read", dead, f"{dead.document.about} answers nowhere", "")
    if case.used_assessments:
        names = join_and(sorted({str(DriveId.of(used.document.drive)) for used in case.used_assessments}))
        return GateItem(
            item="old-drive-read",
            holds=False,
            evidence=f"not known which is the customer's: {names}",
            next=case.command("job", "record", case.id, "old-drive", "SERIAL", job=False),
        )
    return GateItem(
        item="old-drive-read", holds=False, evidence="no reading is filed", next=case.command("assess", "DRIVE")
    )


def check_old_drive_identity(case: JobState) -> GateItem:
    """The customer's drive said itself who it is."""
    dead = case.newest_fact("dead-drive")
    if not case.old_drive_readings and dead is not None and case.route == "new-drive-empty":
        return fact_item(case, "old-drive-identity", dead, f"from its label: {dead.document.about}", "")
    return identity_item(
        case, "old-drive-identity", newest_of(case.old_drive_readings), case.command("assess", "DRIVE")
    )


def check_verdict(case: JobState) -> GateItem:
    """The drive may go back: refit, or recheck with its way out done."""
    read = newest_of(case.old_drive_readings)
    if read is None:
        return GateItem(item="verdict", holds=False, evidence="no verdict", next=case.command("assess", "DRIVE"))
    judged = read.document
    how_old = age(time_of_reading(read), case.now)
    seen = case.trouble_since(read)
    if seen is not None and judged.verdict in ("refit", "recheck"):
        evidence = f"{judged.verdict}, but since then {seen}: judge it again"
        return GateItem(
            item="verdict", holds=False, evidence=evidence, age=how_old, next=case.command("assess", "DRIVE")
        )
    if judged.verdict == "refit":
        return GateItem(item="verdict", holds=True, evidence=f"refit: {judged.headline}", age=how_old)
    if judged.verdict == "recheck":
        return _recheck(case, judged, how_old)
    following = case.command("assess", "DRIVE") if judged.verdict == "unproven" else plan_command(case)
    evidence = f"{judged.verdict}: {judged.headline}"
    return GateItem(item="verdict", holds=False, evidence=evidence, age=how_old, next=following)


def _recheck(case: JobState, judged: Assessment, how_old: str) -> GateItem:
    """A recheck holds once its way out was taken, logged, and the drive was read after that and shows no growth."""
    fact = case.newest_fact("way-out")
    if fact is None:
        record = case.command("job", "record", case.id, "way-out", "--note", "WHAT WAS DONE", job=False)
        evidence = f"recheck, its way out not taken: {judged.way_out or judged.headline}"
        return GateItem(item="verdict", holds=False, evidence=evidence, age=how_old, next=record)
    before, after = _around(case, fact)
    missing = "" if after is not None else "not read again since"
    if after is not None and before is None:
        missing = "no reading from before it to compare with; record the next way out, then read again"
    if before is None or after is None:
        evidence = f"recheck: way out taken, {missing}"
        return GateItem(
            item="verdict", holds=False, evidence=evidence, age=how_old, next=case.command("assess", "DRIVE")
        )
    grown = _grown(before.document, after.document)
    evidence = f"recheck: since the way out grew {', '.join(grown)}" if grown else "recheck cleared: nothing grew since"
    following = plan_command(case) if grown else None
    return GateItem(item="verdict", holds=not grown, evidence=evidence, age=how_old, next=following)


def _around(
    case: JobState, way_out: FiledDocument[Fact]
) -> tuple[FiledDocument[Assessment] | None, FiledDocument[Assessment] | None]:
    """The last reading taken before the way out was recorded and the newest since, of what is certainly one drive."""
    recorded_at = parse_timestamp(way_out.document.at) or way_out.file.filed_at
    last = newest_of(case.old_drive_readings)
    if last is None:
        return None, None
    drive = DriveId.of(last.document.drive)
    timed: list[tuple[datetime, FiledDocument[Assessment]]] = [
        (taken, reading)
        for reading in case.old_drive_readings
        if (taken := taken_at(reading)) is not None
        and (reading is last or compare(DriveId.of(reading.document.drive), drive, labels=case.logged_serials) == "yes")
    ]
    before = newest_of([reading for taken, reading in timed if taken <= recorded_at])
    after = newest_of([reading for taken, reading in timed if taken > recorded_at])
    return before, after


def _grown(before: Assessment, after: Assessment) -> list[str]:
    """Labels of findings that are new, or whose number is larger, or of which no number can be compared."""
    earlier = {finding.signal: finding.observed for finding in before.findings if finding.severity != "note"}
    grown = []
    for finding in after.findings:
        if finding.severity == "note" or finding.signal == "estimate":  # the estimate grows with age alone
            continue
        was, now = earlier.get(finding.signal), finding.observed
        same = was == now and was is not None
        fewer = isinstance(was, int | float) and isinstance(now, int | float) and now <= was
        if not (same or fewer):
            grown.append(finding.label)
    return grown
