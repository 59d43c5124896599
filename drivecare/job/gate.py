"""The gate: everything that must hold before the unit is closed, judged from the job's results alone.

Each item is one small function from the case to an `Item`; a route is a list of them. An item holds only where the
evidence for it is there. Unknown is not holding.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from drivecare.job.case import Case, newest, read_at
from drivecare.job.facts import area_name
from drivecare.job.folder import Filed
from drivecare.job.model import Fact, Gate, Item, Route
from drivecare.job.proof import Proof, find_proof
from drivecare.job.sameness import Same, Who, is_the_planned, same_drive
from drivecare.job.times import age, moment, said
from drivecare.risk.model import Assessment
from drivecare.transfer.areas import Area
from drivecare.transfer.bag import BagReceipt

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
    """No filed result is gone."""
    gone = ", ".join(f"{number:04}" for number in case.missing)
    return Item(
        item="records",
        holds=not gone,
        evidence=f"filed once and gone: {gone}" if gone else "every filed result is there",
        next=case.command("job", "show", case.id, job=False) if gone else None,
    )


def consent(case: Case) -> Item:
    """The customer agreed."""
    return _recorded(case, "consent", case.fact("consent"), "the customer agreed", "no consent is recorded")


def no_data(case: Case) -> Item:
    """The customer agreed to start without their data."""
    fact = case.fact("no-data")
    return _recorded(
        case, "no-data", fact, "the customer agreed to no data", "nobody recorded that the customer wants no data"
    )


def old_drive_read(case: Case) -> Item:
    """The customer's drive was read and judged, or is recorded as dead where nothing is carried over."""
    read, dead = newest(case.old_drive), case.fact("dead-drive")
    if read is not None:
        found = read.document
        early = ", before this job" if read_at(read) < _opened(case) - timedelta(hours=24) else ""
        return Item(
            item="old-drive-read",
            holds=True,
            evidence=f"{Who.of(found.drive)}: {found.verdict}{early}",
            age=age(read_at(read), case.now),
        )
    if dead is not None and case.route == "new-drive-empty":
        return _recorded(case, "old-drive-read", dead, f"{dead.document.about} answers nowhere", "")
    if case.used:
        names = " and ".join(sorted({str(Who.of(one.document.drive)) for one in case.used}))
        return Item(
            item="old-drive-read",
            holds=False,
            evidence=f"not known which is the customer's: {names}",
            next=case.command("job", "record", case.id, "old-drive", "SERIAL", job=False),
        )
    return Item(
        item="old-drive-read", holds=False, evidence="no reading is filed", next=case.command("assess", "DRIVE")
    )


def old_drive_identity(case: Case) -> Item:
    """The customer's drive said itself who it is."""
    dead = case.fact("dead-drive")
    if not case.old_drive and dead is not None and case.route == "new-drive-empty":
        return _recorded(case, "old-drive-identity", dead, f"from its label: {dead.document.about}", "")
    return _identity(case, "old-drive-identity", newest(case.old_drive), case.command("assess", "DRIVE"))


def verdict(case: Case) -> Item:
    """The drive may go back: refit, or recheck with its way out done."""
    read = newest(case.old_drive)
    if read is None:
        return Item(item="verdict", holds=False, evidence="no verdict", next=case.command("assess", "DRIVE"))
    found = read.document
    how_old = age(read_at(read), case.now)
    seen = case.seen_since(read)
    if seen is not None and found.verdict in ("refit", "recheck"):
        evidence = f"{found.verdict}, but since then {seen}: judge it again"
        return Item(item="verdict", holds=False, evidence=evidence, age=how_old, next=case.command("assess", "DRIVE"))
    if found.verdict == "refit":
        return Item(item="verdict", holds=True, evidence=f"refit: {found.headline}", age=how_old)
    if found.verdict == "recheck":
        return _recheck(case, found, how_old)
    following = case.command("assess", "DRIVE") if found.verdict == "unproven" else _plan_command(case)
    return Item(item="verdict", holds=False, evidence=f"{found.verdict}: {found.headline}", age=how_old, next=following)


def _recheck(case: Case, found: Assessment, how_old: str) -> Item:
    """A recheck holds once its way out was taken, logged, and a reading after that shows no growth."""
    fact = case.fact("way-out")
    if fact is None:
        record = case.command("job", "record", case.id, "way-out", "--note", "WHAT WAS DONE", job=False)
        evidence = f"recheck, its way out not taken: {found.way_out or found.headline}"
        return Item(item="verdict", holds=False, evidence=evidence, age=how_old, next=record)
    before = newest([one for one in case.old_drive if one.entry.number < fact.entry.number])
    after = newest([one for one in case.old_drive if one.entry.number > fact.entry.number])
    if before is None or after is None:
        evidence = "recheck: way out taken, not read again since"
        return Item(item="verdict", holds=False, evidence=evidence, age=how_old, next=case.command("assess", "DRIVE"))
    grown = _grown(before.document, after.document)
    evidence = f"recheck: since the way out grew {', '.join(grown)}" if grown else "recheck cleared: nothing grew since"
    return Item(
        item="verdict", holds=not grown, evidence=evidence, age=how_old, next=_plan_command(case) if grown else None
    )


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


def plan(case: Case) -> Item:
    """A plan for this unit and this drive chose a drive that fits."""
    filed = case.plan
    if filed is None:
        return Item(item="plan", holds=False, evidence="no plan is filed", next=_plan_command(case))
    made, old = filed.document, newest(case.old_drive)
    chosen = made.chosen_drive
    if made.host != case.opening.host:
        wrong = f"made for {made.host}, this unit is {case.opening.host}"
    elif old is not None and (made.source is None or not _is(case, Who.of(made.source), Who.of(old.document.drive))):
        wrong = f"made for {Who.of(made.source) if made.source else 'no drive'}, not for {Who.of(old.document.drive)}"
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
        next=None if holds else _plan_command(case),
    )


def new_drive_identity(case: Case) -> Item:
    """The new drive said itself who it is."""
    return _identity(case, "new-drive-identity", newest(case.inspected), _inspect_command(case))


def fitted_is_planned(case: Case) -> Item:
    """The drive on the bench is the one the plan chose."""
    filed, fitted = case.plan, newest(case.inspected)
    chosen = filed.document.chosen_drive if filed is not None else None
    if fitted is None or filed is None or chosen is None:
        missing = "no new drive was read" if fitted is None else "no drive is planned"
        command = _inspect_command(case) if fitted is None else _plan_command(case)
        return Item(item="fitted-is-planned", holds=False, evidence=missing, next=command)
    found = Who.of(fitted.document.drive)
    answer = is_the_planned(Who.of(chosen), found, case.labels)
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
        next=None if answer == "yes" else _plan_command(case, "--candidate", "NEW_DRIVE"),
    )


def inspection(case: Case) -> Item:
    """The new drive passed its incoming inspection."""
    filed = newest(case.inspected)
    if filed is None:
        return Item(
            item="inspection", holds=False, evidence="the new drive was not inspected", next=_inspect_command(case)
        )
    found = filed.document
    seen = case.seen_since(filed)
    if seen is not None and found.verdict == "refit":
        evidence = f"{Who.of(found.drive)}: refit, but since then {seen}: judge it again"
        return Item(item="inspection", holds=False, evidence=evidence, next=_inspect_command(case))
    return Item(
        item="inspection",
        holds=found.verdict == "refit",
        evidence=f"{Who.of(found.drive)}, judged as new: {found.verdict}"
        + ("" if found.verdict == "refit" else f": {found.headline}"),
        age=age(read_at(filed), case.now),
        next=None if found.verdict == "refit" else _inspect_command(case, "ANOTHER_DRIVE"),
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
    known = {fact.document.about for fact in case.facts_named("unreadable")}
    open_ones = [area for area in areas if area_name(area) not in known]
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
    proof = find_proof(case)
    fact = case.fact("detached")
    if fact is not None and _recorded_after(fact, proof) is None:
        fact, missing = None, "recorded before the newest copy"
    else:
        missing = "not recorded: power off, take the old drive off"
    return _recorded(case, "detached", fact, "old and new drive are apart", missing)


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


def _recorded(case: Case, item: str, fact: Filed[Fact] | None, holds: str, missing: str) -> Item:
    if fact is None:
        return Item(
            item=item, holds=False, evidence=missing, next=case.command("job", "record", case.id, item, job=False)
        )
    note = f": {fact.document.note}" if fact.document.note else ""
    by = f", recorded by {fact.document.by}" if fact.document.by else ""
    return Item(item=item, holds=True, evidence=f"{holds}{note}{by}", age=age(fact.entry.filed_at, case.now))


def _recorded_after(fact: Filed[Fact] | None, proof: Proof) -> Filed[Fact] | None:
    """The fact, if it was recorded after the proof was filed."""
    return fact if fact is not None and fact.entry.number > proof.number else None


def _identity(case: Case, item: str, filed: Filed[Assessment] | None, read: str) -> Item:
    if filed is None:
        return Item(item=item, holds=False, evidence="no drive was read", next=read)
    drive = filed.document.drive
    name, how_old = Who.of(drive), age(read_at(filed), case.now)
    if name.strong:
        number = f"WWN {drive.identity.wwn}" if drive.identity.wwn else f"serial {drive.identity.native_serial}"
        return Item(item=item, holds=True, evidence=f"{name}, by its own {number}", age=how_old)
    if name.known(case.labels):
        return Item(item=item, holds=True, evidence=f"{name}, behind a bridge; label read by hand", age=how_old)
    shown = drive.serial
    record = case.command("job", "record", case.id, "weak-identity", shown, job=False) if shown else read
    strength = "hides" if drive.identity.strength == "weak" else "gives no"
    evidence = f"{name}: the bridge {strength} identity; use another dock" + (", or log the label" if shown else "")
    return Item(item=item, holds=False, evidence=evidence, age=how_old, next=record)


def _is(case: Case, one: Who, other: Who) -> bool:
    answer: Same = same_drive(one, other, case.labels)
    return answer == "yes"


def _opened(case: Case) -> datetime:
    return moment(case.opening.opened_at) or case.now


def _plan_command(case: Case, *more: str) -> str:
    old = newest(case.old_drive)
    reading = (old.document.path if old is not None else None) or "DRIVE"
    more = more or ("--stock", "STOCK.csv")
    return case.command("plan", "--host", case.opening.label, "--reading", reading, *more)


def _inspect_command(case: Case, drive: str = "NEW_DRIVE") -> str:
    return case.command("assess", drive, "--as", "new")


def _areas(areas: tuple[Area, ...]) -> str:
    count = f"{len(areas):,} unreadable area{'s' if len(areas) != 1 else ''}"
    return f"{count} ({sum(area.length for area in areas):,} bytes)"


def _offsets(areas: list[Area]) -> str:
    shown = ", ".join(f"{area.offset:,}" for area in areas[:5])
    return shown + (f" and {len(areas) - 5:,} more" if len(areas) > 5 else "")
