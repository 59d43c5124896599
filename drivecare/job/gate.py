"""The gate: everything that must hold before the unit is closed, judged from the job's results alone.

Each item is one small function from the case to an `Item`; a route is a list of them. An item holds only where the
evidence for it is there. Unknown is not holding.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from drivecare.fit.model import JudgedCandidate
from drivecare.format import format_count, join_some
from drivecare.job.expected_drive import is_planned_drive
from drivecare.job.filed_readings import time_of_reading
from drivecare.job.folder import FiledDocument
from drivecare.job.gate_items import doubt_of, fact_item, identity_item, inspect_command, plan_command
from drivecare.job.job_state import JobState, newest_of
from drivecare.job.model import Fact, Gate, GateItem, Route
from drivecare.job.old_drive import check_old_drive_identity, check_old_drive_read, check_verdict
from drivecare.job.proof import CopyProof, find_copy_proof
from drivecare.job.times import age, said
from drivecare.reading.identity import Answer, DriveId, Named, compare
from drivecare.reading.model import Drive
from drivecare.transfer.areas import Area
from drivecare.transfer.files.bag import BagReceipt

# How long a proof stands before somebody must read again or vouch for the drive. Common practice, no source: a bench
# swaps on the day it copies, and what lay around overnight may have been plugged in anywhere.
PROOF_STANDS = timedelta(hours=24)

GateCheck = Callable[[JobState], GateItem]


def judge_gate(case: JobState, route: Route | None = None) -> Gate:
    """Every item of the job's route, or of the one asked for; open where all hold."""
    route = route or case.route
    items = tuple(check(case) for check in ROUTE_CHECKS[route])
    return Gate(job=case.id, route=route, open=all(item.holds for item in items), items=items)


def check_records(case: JobState) -> GateItem:
    """Every filed result lies there as it was filed."""
    wrong, mended = case.audit.sentences, case.facts_named("chain-mended")
    if wrong:
        mend = case.command("job", "record", case.id, "chain-mended", "--note", "WHY", job=False)
        following = case.command("job", "show", case.id, job=False) if case.audit.faults else mend
        return GateItem(item="records", holds=False, evidence=join_some(wrong, 5, "; "), next=following)
    if not case.audit.chained:
        limits = "opened before results were chained, so a change or the loss of the newest would not show"
        return GateItem(item="records", holds=True, evidence=f"every number is there; {limits}")
    taken_up = "".join(f"; {fact.document.about} taken up: {fact.document.note}" for fact in mended)
    return GateItem(item="records", holds=True, evidence=f"every filed result lies there as it was filed{taken_up}")


def check_consent(case: JobState) -> GateItem:
    """The customer agreed."""
    return fact_item(case, "consent", case.newest_fact("consent"), "the customer agreed", "no consent is recorded")


def check_no_data(case: JobState) -> GateItem:
    """The customer agreed to start without their data."""
    fact = case.newest_fact("no-data")
    return fact_item(
        case, "no-data", fact, "the customer agreed to no data", "nobody recorded that the customer wants no data"
    )


def check_plan(case: JobState) -> GateItem:
    """A plan for this unit and this drive chose a drive that fits."""
    filed = case.plan
    if filed is None:
        return GateItem(item="plan", holds=False, evidence="no plan is filed", next=plan_command(case))
    made, old = filed.document, newest_of(case.old_drive_readings)
    chosen = made.chosen_drive
    if made.host != case.opening.host:
        wrong = f"made for {made.host}, this unit is {case.opening.host}"
    elif old is not None and made.source is None:
        wrong = f"made for no drive, not for {DriveId.of(old.document.drive)}"
    elif old is not None and made.source is not None and not _is(case, made.source, old.document.drive):
        wrong = f"made for {DriveId.of(made.source)}, not for {DriveId.of(old.document.drive)}"
    elif chosen is None:
        wrong = "no drive in it certainly fits"
    elif chosen.fits != "yes":
        wrong = f"whether {chosen.name} fits is {chosen.fits}"
    else:
        wrong = ""
    holds = chosen is not None and not wrong
    return GateItem(
        item="plan",
        holds=holds,
        evidence=f"{chosen.name} fits {made.host_name}" if chosen is not None and not wrong else wrong,
        age=age(filed.file.filed_at, case.now),
        next=None if holds else plan_command(case),
    )


def check_new_drive_identity(case: JobState) -> GateItem:
    """The new drive said itself who it is."""
    return identity_item(case, "new-drive-identity", newest_of(case.inspections), inspect_command(case))


def check_fitted_is_planned(case: JobState) -> GateItem:
    """The drive on the bench is the one the plan chose."""
    filed, fitted = case.plan, newest_of(case.inspections)
    chosen = filed.document.chosen_drive if filed is not None else None
    if fitted is None or filed is None or chosen is None:
        missing = "no new drive was read" if fitted is None else "no drive is planned"
        command = inspect_command(case) if fitted is None else plan_command(case)
        return GateItem(item="fitted-is-planned", holds=False, evidence=missing, next=command)
    found = DriveId.of(fitted.document.drive)
    answer = is_planned_drive(chosen, found, case.logged_serials)
    unlike = _unlike_the_plan(chosen, fitted.document.drive)
    if answer == "yes" and unlike:
        evidence, again = f"{found} is the one planned, but {unlike}", plan_command(case, "--candidate", "NEW_DRIVE")
        return GateItem(item="fitted-is-planned", holds=False, evidence=evidence, next=again)
    said_so = {
        "yes": f"{found} is the one planned",
        "no": f"planned is {chosen.name}, read was {found}",
        "unknown": f"the plan does not say which {chosen.name} it means",
    }
    return GateItem(
        item="fitted-is-planned",
        holds=answer == "yes",
        evidence=said_so[answer],
        age=age(filed.file.filed_at, case.now),
        next=None if answer == "yes" else plan_command(case, "--candidate", "NEW_DRIVE"),
    )


def _unlike_the_plan(chosen: JudgedCandidate, drive: Drive) -> str:
    """Where the drive as it was read is not what the plan took it for; "" where what both tell agrees."""
    told = (
        ("bytes", chosen.capacity_bytes, drive.capacity_bytes),
        ("bytes a sector", chosen.logical_sector_bytes, drive.logical_sector_bytes),
    )
    return "; ".join(
        f"planned with {planned:,} {what}, read with {read:,}"
        for what, planned, read in told
        if planned is not None and read is not None and planned != read
    )


def check_inspection(case: JobState) -> GateItem:
    """The new drive passed its incoming inspection."""
    filed = newest_of(case.inspections)
    if filed is None:
        return GateItem(
            item="inspection", holds=False, evidence="the new drive was not inspected", next=inspect_command(case)
        )
    found = filed.document
    seen = case.trouble_since(filed)
    if seen is not None and found.verdict == "refit":
        evidence = f"{DriveId.of(found.drive)}: refit, but since then {seen}: judge it again"
        return GateItem(item="inspection", holds=False, evidence=evidence, next=inspect_command(case))
    against = doubt_of(case, filed)
    if against:
        evidence = f"{DriveId.of(found.drive)}, judged as new: {found.verdict}; {against}"
        return GateItem(item="inspection", holds=False, evidence=evidence, next=inspect_command(case))
    return GateItem(
        item="inspection",
        holds=found.verdict == "refit",
        evidence=f"{DriveId.of(found.drive)}, judged as new: {found.verdict}"
        + ("" if found.verdict == "refit" else f": {found.headline}"),
        age=age(time_of_reading(filed), case.now),
        next=None if found.verdict == "refit" else inspect_command(case, "ANOTHER_DRIVE"),
    )


def check_copy_verified(case: JobState) -> GateItem:
    """Every byte that could be read is on the new drive, proven by reading it back."""
    proof = find_copy_proof(case)
    return GateItem(
        item="copy-verified",
        holds=proof.holds,
        evidence=proof.evidence,
        age=age(proof.at, case.now) if proof.at else None,
        next=None if proof.holds else proof.next,
    )


def check_unchanged_since(case: JobState) -> GateItem:
    """The proof is of today, or somebody vouches that nothing was written since. Nothing can prove that."""
    proof = find_copy_proof(case)
    if proof.at is None:
        return GateItem(
            item="unchanged-since", holds=False, evidence="no copy is verified yet", next=proof.next or proof.verify
        )
    how_old = age(proof.at, case.now)
    vouched = _recorded_after(case.newest_fact("unchanged"), proof)
    fresh = timedelta(minutes=-5) <= case.now - proof.at <= PROOF_STANDS
    evidence = f"last read back {said(proof.at)}"
    if vouched is not None and not fresh:
        evidence += f"; {vouched.document.by or 'somebody'} vouches that nothing was written since"
    elif not fresh:
        evidence += f": more than {PROOF_STANDS // timedelta(hours=1)} hours; verify again, or record unchanged"
    holds = fresh or vouched is not None
    return GateItem(
        item="unchanged-since",
        holds=holds,
        evidence=evidence,
        age=how_old,
        next=None if holds else proof.verify or case.command("job", "record", case.id, "unchanged", job=False),
    )


def check_unreadable_acknowledged(case: JobState) -> GateItem:
    """The customer knows of every area that could not be read, one by one."""
    proof = find_copy_proof(case)
    areas = proof.unreadable
    if proof.bag is not None:
        return _left_out_acknowledged(case, proof.bag)
    if not proof.chain:
        return GateItem(
            item="unreadable-acknowledged", holds=False, evidence="no copy yet, so not known", next=proof.next
        )
    open_ones = [area for area in areas if case.acknowledgement_of(area) is None]
    if not areas:
        return GateItem(item="unreadable-acknowledged", holds=True, evidence="nothing was unreadable")
    if not open_ones:
        return GateItem(
            item="unreadable-acknowledged",
            holds=True,
            evidence=f"the customer knows of {_areas(areas)}",
            age=age(case.facts_named("unreadable")[-1].file.filed_at, case.now),
        )
    return GateItem(
        item="unreadable-acknowledged",
        holds=False,
        evidence=f"not acknowledged: {len(open_ones)} of {_areas(areas)}; at " + _offsets(open_ones),
        next=case.command("job", "record", case.id, "unreadable", str(open_ones[0].offset), job=False),
    )


def _left_out_acknowledged(case: JobState, bag: FiledDocument[BagReceipt]) -> GateItem:
    """The same of a file copy: the customer knows which files are not in it."""
    count, fact = len(bag.document.left_out), case.newest_fact("left-out")
    name = "unreadable-acknowledged"
    if not count:
        return GateItem(item=name, holds=True, evidence="no file was left out")
    if fact is not None and fact.file.number > bag.file.number:
        evidence = f"the customer knows of {count:,} files left out"
        return GateItem(item=name, holds=True, evidence=evidence, age=age(fact.file.filed_at, case.now))
    record = case.command("job", "record", case.id, "left-out", job=False)
    return GateItem(item=name, holds=False, evidence=f"not acknowledged: {count:,} files left out", next=record)


def check_detached(case: JobState) -> GateItem:
    """Old and new drive are no longer attached together: who sees both may mix them up."""
    fact, missing = case.newest_fact("detached"), "not recorded: power off, take the old drive off"
    copies = [receipt.file.number for receipt in case.receipts] + [bag.file.number for bag in case.bags]
    if fact is not None and fact.file.number < max(copies, default=0):
        fact, missing = None, "recorded before the newest copy or verification"
    return fact_item(case, "detached", fact, "old and new drive are apart", missing)


ROUTE_CHECKS: dict[Route, tuple[GateCheck, ...]] = {
    "same-drive": (check_records, check_consent, check_old_drive_read, check_old_drive_identity, check_verdict),
    "new-drive-data": (
        check_records,
        check_consent,
        check_old_drive_read,
        check_old_drive_identity,
        check_plan,
        check_inspection,
        check_new_drive_identity,
        check_fitted_is_planned,
        check_copy_verified,
        check_unchanged_since,
        check_unreadable_acknowledged,
        check_detached,
    ),
    "new-drive-empty": (
        check_records,
        check_consent,
        check_no_data,
        check_old_drive_read,
        check_old_drive_identity,
        check_plan,
        check_inspection,
        check_new_drive_identity,
        check_fitted_is_planned,
    ),
}


def _recorded_after(fact: FiledDocument[Fact] | None, proof: CopyProof) -> FiledDocument[Fact] | None:
    """The fact, if it was recorded after the proof was filed."""
    return fact if fact is not None and fact.file.number > proof.number else None


def _is(case: JobState, one: Named, other: Named) -> bool:
    answer: Answer = compare(one, other, labels=case.logged_serials)
    return answer == "yes"


def _areas(areas: tuple[Area, ...]) -> str:
    return f"{format_count(len(areas), 'unreadable area')} ({sum(area.length for area in areas):,} bytes)"


def _offsets(areas: list[Area]) -> str:
    return join_some([f"{area.offset:,}" for area in areas], 5)
