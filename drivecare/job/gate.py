"""The gate: everything that must hold before the unit is closed, judged from the job's results alone.

Each item is one small function from the case to an `Item`; a route is a list of them. An item holds only where the
evidence for it is there. Unknown is not holding.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

from drivecare.fit.model import JudgedCandidate
from drivecare.format import format_count, join_some
from drivecare.job.filed_readings import read_at
from drivecare.job.folder import Filed
from drivecare.job.gate_items import doubt, identity, inspect_command, plan_command, recorded
from drivecare.job.job_state import Case, newest
from drivecare.job.model import Fact, Gate, Item, Route
from drivecare.job.old_drive import old_drive_identity, old_drive_read, verdict
from drivecare.job.planned import is_the_planned
from drivecare.job.proof import Proof, find_proof
from drivecare.job.times import age, said
from drivecare.reading.identity import Answer, DriveId, Named, compare
from drivecare.reading.model import Drive
from drivecare.transfer.areas import Area
from drivecare.transfer.files.bag import BagReceipt

# How long a proof stands before somebody must read again or vouch for the drive. Common practice, no source: a bench
# swaps on the day it copies, and what lay around overnight may have been plugged in anywhere.
PROOF_STANDS = timedelta(hours=24)

Check = Callable[[Case], Item]


def judge(case: Case, route: Route | None = None) -> Gate:
    """Every item of the job's route, or of the one asked for; open where all hold."""
    route = route or case.route
    items = tuple(check(case) for check in ITEMS[route])
    return Gate(job=case.id, route=route, open=all(item.holds for item in items), items=items)


def records(case: Case) -> Item:
    """Every filed result lies there as it was filed."""
    wrong, mended = case.audit.sentences, case.facts_named("chain-mended")
    if wrong:
        mend = case.command("job", "record", case.id, "chain-mended", "--note", "WHY", job=False)
        following = case.command("job", "show", case.id, job=False) if case.audit.faults else mend
        return Item(item="records", holds=False, evidence=join_some(wrong, 5, "; "), next=following)
    if not case.audit.chained:
        limits = "opened before results were chained, so a change or the loss of the newest would not show"
        return Item(item="records", holds=True, evidence=f"every number is there; {limits}")
    taken_up = "".join(f"; {fact.document.about} taken up: {fact.document.note}" for fact in mended)
    return Item(item="records", holds=True, evidence=f"every filed result lies there as it was filed{taken_up}")


def consent(case: Case) -> Item:
    """The customer agreed."""
    return recorded(case, "consent", case.fact("consent"), "the customer agreed", "no consent is recorded")


def no_data(case: Case) -> Item:
    """The customer agreed to start without their data."""
    fact = case.fact("no-data")
    return recorded(
        case, "no-data", fact, "the customer agreed to no data", "nobody recorded that the customer wants no data"
    )


def plan(case: Case) -> Item:
    """A plan for this unit and this drive chose a drive that fits."""
    filed = case.plan
    if filed is None:
        return Item(item="plan", holds=False, evidence="no plan is filed", next=plan_command(case))
    made, old = filed.document, newest(case.old_drive)
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
    return Item(
        item="plan",
        holds=holds,
        evidence=f"{chosen.name} fits {made.host_name}" if chosen is not None and not wrong else wrong,
        age=age(filed.entry.filed_at, case.now),
        next=None if holds else plan_command(case),
    )


def new_drive_identity(case: Case) -> Item:
    """The new drive said itself who it is."""
    return identity(case, "new-drive-identity", newest(case.inspected), inspect_command(case))


def fitted_is_planned(case: Case) -> Item:
    """The drive on the bench is the one the plan chose."""
    filed, fitted = case.plan, newest(case.inspected)
    chosen = filed.document.chosen_drive if filed is not None else None
    if fitted is None or filed is None or chosen is None:
        missing = "no new drive was read" if fitted is None else "no drive is planned"
        command = inspect_command(case) if fitted is None else plan_command(case)
        return Item(item="fitted-is-planned", holds=False, evidence=missing, next=command)
    found = DriveId.of(fitted.document.drive)
    answer = is_the_planned(chosen, found, case.labels)
    unlike = _unlike_the_plan(chosen, fitted.document.drive)
    if answer == "yes" and unlike:
        evidence, again = f"{found} is the one planned, but {unlike}", plan_command(case, "--candidate", "NEW_DRIVE")
        return Item(item="fitted-is-planned", holds=False, evidence=evidence, next=again)
    said_so = {
        "yes": f"{found} is the one planned",
        "no": f"planned is {chosen.name}, read was {found}",
        "unknown": f"the plan does not say which {chosen.name} it means",
    }
    return Item(
        item="fitted-is-planned",
        holds=answer == "yes",
        evidence=said_so[answer],
        age=age(filed.entry.filed_at, case.now),
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


def inspection(case: Case) -> Item:
    """The new drive passed its incoming inspection."""
    filed = newest(case.inspected)
    if filed is None:
        return Item(
            item="inspection", holds=False, evidence="the new drive was not inspected", next=inspect_command(case)
        )
    found = filed.document
    seen = case.seen_since(filed)
    if seen is not None and found.verdict == "refit":
        evidence = f"{DriveId.of(found.drive)}: refit, but since then {seen}: judge it again"
        return Item(item="inspection", holds=False, evidence=evidence, next=inspect_command(case))
    against = doubt(case, filed)
    if against:
        evidence = f"{DriveId.of(found.drive)}, judged as new: {found.verdict}; {against}"
        return Item(item="inspection", holds=False, evidence=evidence, next=inspect_command(case))
    return Item(
        item="inspection",
        holds=found.verdict == "refit",
        evidence=f"{DriveId.of(found.drive)}, judged as new: {found.verdict}"
        + ("" if found.verdict == "refit" else f": {found.headline}"),
        age=age(read_at(filed), case.now),
        next=None if found.verdict == "refit" else inspect_command(case, "ANOTHER_DRIVE"),
    )


def copy_verified(case: Case) -> Item:
    """Every byte that could be read is on the new drive, proven by reading it back."""
    proof = find_proof(case)
    return Item(
        item="copy-verified",
        holds=proof.holds,
        evidence=proof.evidence,
        age=age(proof.at, case.now) if proof.at else None,
        next=None if proof.holds else proof.next,
    )


def proof_is_fresh(case: Case) -> Item:
    """The proof is of today, or somebody vouches that nothing was written since. Nothing can prove that."""
    proof = find_proof(case)
    if proof.at is None:
        return Item(
            item="unchanged-since", holds=False, evidence="no copy is verified yet", next=proof.next or proof.verify
        )
    how_old = age(proof.at, case.now)
    vouched = _recorded_after(case.fact("unchanged"), proof)
    fresh = timedelta(minutes=-5) <= case.now - proof.at <= PROOF_STANDS
    evidence = f"last read back {said(proof.at)}"
    if vouched is not None and not fresh:
        evidence += f"; {vouched.document.by or 'somebody'} vouches that nothing was written since"
    elif not fresh:
        evidence += f": more than {PROOF_STANDS // timedelta(hours=1)} hours; verify again, or record unchanged"
    holds = fresh or vouched is not None
    return Item(
        item="unchanged-since",
        holds=holds,
        evidence=evidence,
        age=how_old,
        next=None if holds else proof.verify or case.command("job", "record", case.id, "unchanged", job=False),
    )


def unreadable_acknowledged(case: Case) -> Item:
    """The customer knows of every area that could not be read, one by one."""
    proof = find_proof(case)
    areas = proof.unreadable
    if proof.bag is not None:
        return _left_out_acknowledged(case, proof.bag)
    if not proof.chain:
        return Item(item="unreadable-acknowledged", holds=False, evidence="no copy yet, so not known", next=proof.next)
    open_ones = [area for area in areas if case.told_of(area) is None]
    if not areas:
        return Item(item="unreadable-acknowledged", holds=True, evidence="nothing was unreadable")
    if not open_ones:
        return Item(
            item="unreadable-acknowledged",
            holds=True,
            evidence=f"the customer knows of {_areas(areas)}",
            age=age(case.facts_named("unreadable")[-1].entry.filed_at, case.now),
        )
    return Item(
        item="unreadable-acknowledged",
        holds=False,
        evidence=f"not acknowledged: {len(open_ones)} of {_areas(areas)}; at " + _offsets(open_ones),
        next=case.command("job", "record", case.id, "unreadable", str(open_ones[0].offset), job=False),
    )


def _left_out_acknowledged(case: Case, bag: Filed[BagReceipt]) -> Item:
    """The same of a file copy: the customer knows which files are not in it."""
    count, fact = len(bag.document.left_out), case.fact("left-out")
    name = "unreadable-acknowledged"
    if not count:
        return Item(item=name, holds=True, evidence="no file was left out")
    if fact is not None and fact.entry.number > bag.entry.number:
        evidence = f"the customer knows of {count:,} files left out"
        return Item(item=name, holds=True, evidence=evidence, age=age(fact.entry.filed_at, case.now))
    record = case.command("job", "record", case.id, "left-out", job=False)
    return Item(item=name, holds=False, evidence=f"not acknowledged: {count:,} files left out", next=record)


def detached(case: Case) -> Item:
    """Old and new drive are no longer attached together: who sees both may mix them up."""
    fact, missing = case.fact("detached"), "not recorded: power off, take the old drive off"
    copies = [receipt.entry.number for receipt in case.receipts] + [bag.entry.number for bag in case.bags]
    if fact is not None and fact.entry.number < max(copies, default=0):
        fact, missing = None, "recorded before the newest copy or verification"
    return recorded(case, "detached", fact, "old and new drive are apart", missing)


ITEMS: dict[Route, tuple[Check, ...]] = {
    "same-drive": (records, consent, old_drive_read, old_drive_identity, verdict),
    "new-drive-data": (
        records,
        consent,
        old_drive_read,
        old_drive_identity,
        plan,
        inspection,
        new_drive_identity,
        fitted_is_planned,
        copy_verified,
        proof_is_fresh,
        unreadable_acknowledged,
        detached,
    ),
    "new-drive-empty": (
        records,
        consent,
        no_data,
        old_drive_read,
        old_drive_identity,
        plan,
        inspection,
        new_drive_identity,
        fitted_is_planned,
    ),
}


def _recorded_after(fact: Filed[Fact] | None, proof: Proof) -> Filed[Fact] | None:
    """The fact, if it was recorded after the proof was filed."""
    return fact if fact is not None and fact.entry.number > proof.number else None


def _is(case: Case, one: Named, other: Named) -> bool:
    answer: Answer = compare(one, other, labels=case.labels)
    return answer == "yes"


def _areas(areas: tuple[Area, ...]) -> str:
    return f"{format_count(len(areas), 'unreadable area')} ({sum(area.length for area in areas):,} bytes)"


def _offsets(areas: list[Area]) -> str:
    return join_some([f"{area.offset:,}" for area in areas], 5)
