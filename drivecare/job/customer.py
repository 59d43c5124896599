"""What the customer reads: what was wrong, what was done, what to watch, in plain words, from the job's results alone.

Nothing is said here that no result says. Where something is not done or not known, that is said instead.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivecare.job.case import Case, newest
from drivecare.job.gate import judge
from drivecare.job.proof import find_proof
from drivecare.job.readings import read_at
from drivecare.job.sameness import Who
from drivecare.job.times import day
from drivecare.risk.model import Chance, FaultClass, Verdict

WRONG: dict[Verdict, str] = {
    "evacuate": "The drive in your {unit} was failing: it was losing data, or warned that it is about to.",
    "replace": "The drive in your {unit} still answered, but showed signs that come before a failure.",
    "recheck": "The drive in your {unit} showed something that had to be cleared up before it could be trusted.",
    "refit": "We found nothing against the drive in your {unit}.",
    "unproven": "The drive in your {unit} could not tell us how it is, so we cannot vouch for it.",
}

BECAUSE: dict[FaultClass, str] = {
    "media": "Parts of the surface that holds the data are damaged.",
    "wear": "It has used up most of the writing it is built for.",
    "mechanics": "Its moving parts struggle.",
    "heat": "It ran hotter than it is built for.",
    "link": "Errors happened between the drive and the unit: a cable, a plug or a port, not the drive's age.",
    "locked": "It is locked with a password.",
    "electronics": "Its electronics report faults.",
    "none": "",
}

OLD_DRIVE = {
    "returned": "Your old drive comes back to you with this sheet.",
    "kept": "We keep your old drive, as agreed.",
    "destroyed": "Your old drive was destroyed.",
}

_UNITS = ((10**12, "TB"), (10**9, "GB"), (10**6, "MB"), (10**3, "kB"))


@dataclass(frozen=True, kw_only=True)
class Told:
    """The customer's half of the sheet, in sentences. `done` is whether the work is complete."""

    headline: str
    done: bool
    wrong: tuple[str, ...]
    did: tuple[str, ...]
    watch: tuple[str, ...]


def tell_customer(case: Case) -> Told:
    """Everything the customer reads."""
    finished = judge(case).open
    return Told(
        headline=_headline(case, finished),
        done=finished,
        wrong=tuple(_wrong(case)),
        did=tuple(_did(case)),
        watch=tuple(_watch(case)),
    )


def unit_name(case: Case) -> str:
    """The unit in a few words."""
    return case.opening.host_name or case.opening.label


def odds(chance: Chance) -> str | None:
    """A chance as people count: "about 87 of 100 drives that showed the same failed within a year"."""
    if chance.estimate is None:
        return None
    spread = ""
    if chance.low is not None and chance.high is not None:
        spread = f" (between {_in_hundred(chance.low)} and {_in_hundred(chance.high)})"
    return f"about {_in_hundred(chance.estimate)} of 100 drives that showed the same failed within a year{spread}"


def amount(count: int) -> str:
    """Bytes as people say them: "500 GB", "8.2 kB"."""
    for size, unit in _UNITS:
        if count >= size:
            value = count / size
            return f"{value:,.0f} {unit}" if value >= 100 else f"{value:,.1f} {unit}".replace(".0 ", " ")
    return f"{count:,} bytes"


def _headline(case: Case, finished: bool) -> str:
    if case.closing is not None and not case.closing.document.unit_started:
        return "Your unit does not start yet."
    if not finished:
        return "The work on your unit is not finished."
    return {
        "same-drive": "Your own drive is sound and goes back in.",
        "new-drive-data": "Your unit has a new drive, and your data is on it.",
        "new-drive-empty": "Your unit has a new drive, and starts afresh.",
    }[case.route]


def _wrong(case: Case) -> list[str]:
    told = [f"You told us: “{_clipped(case.opening.complaint, 200)}”"]
    dead, read = case.fact("dead-drive"), newest(case.old_drive)
    if read is None:
        if dead is not None:
            return [*told, f"The drive in your {unit_name(case)} does not answer at all."]
        return [*told, "The drive was not read yet."]
    found = read.document
    told.append(WRONG[found.verdict].format(unit=unit_name(case)))
    told += [BECAUSE[fault] for fault in found.fault_classes if found.verdict != "refit" and BECAUSE[fault]]
    return told


def _did(case: Case) -> list[str]:
    told = []
    if case.old_drive:
        when = day(read_at(case.old_drive[-1]))
        told.append(f"We read what your drive records about itself ({when}) and judged it.")
    for scan in case.scans_of(case.old_drive[-1].document.drive)[-1:] if case.old_drive else ():
        part = (
            "its whole surface"
            if scan.document.sample_percent == 100 and scan.document.complete
            else "part of its surface"
        )
        told.append(f"We read {part} to see what still comes.")
    told += _new_drive_did(case)
    if case.fact("no-data") is not None and case.route == "new-drive-empty":
        told.append("As agreed, nothing was copied from the old drive; the unit sets up the new one itself.")
    if case.closing is not None:
        end = case.closing.document
        told.append(
            "The unit starts." if end.unit_started else "The unit does not start; we will tell you what comes next."
        )
        told.append(OLD_DRIVE[end.old_drive])
        told += _images(case)
    return told


def _new_drive_did(case: Case) -> list[str]:
    if case.route == "same-drive":
        return []
    told = []
    plan = case.plan.document if case.plan is not None else None
    if plan is not None and plan.chosen is not None:
        others = f" out of {len(plan.candidates)} we had" if len(plan.candidates) > 1 else ""
        told.append(
            f"We chose a drive that fits your unit in size, plug and format{others}: {_clipped(plan.chosen, 60)}."
        )
    inspected = newest(case.inspected)
    if inspected is not None and inspected.document.verdict == "refit":
        told.append("We checked that the new drive is new and is what its label says.")
    proof = find_proof(case)
    if proof.holds and proof.bag is not None:
        told.append(
            f"We copied {proof.bag.document.files:,} files and read every one back from the new drive: they agree."
        )
    elif proof.holds:
        copied = amount(proof.chain[-1].document.bytes_copied)
        told.append(
            f"We copied everything that could be read, {copied}, then read the whole new drive back: every part agrees."
        )
    elif case.receipts or case.bags:
        told.append("We started to copy your data. It is not proven yet that all of it arrived.")
    return told


def _images(case: Case) -> list[str]:
    fates = [image.fate for image in case.closing.document.images] if case.closing is not None else []
    told = []
    if "removed" in fates:
        told.append("Our working copies of your data are deleted.")
    if "kept" in fates:
        told.append("We keep a copy of your data, as agreed with you.")
    if "handed-over" in fates:
        told.append("A copy of your data was handed to you.")
    return told


def _watch(case: Case) -> list[str]:
    told = []
    lost = find_proof(case).unreadable if case.route == "new-drive-data" else ()
    if lost:
        several = "One small area" if len(lost) == 1 else f"{len(lost):,} areas"
        told.append(
            f"{several} of the old drive, {amount(sum(area.length for area in lost))} in all, could not be read."
            " What lay there is missing. If something does not open, delete it and load it again, or tell us."
        )
    if case.route == "same-drive":
        told.append(
            "If the trouble comes back, bring the unit in again: then the drive is read once more and compared."
        )
    elif case.old_drive and case.old_drive[-1].document.verdict in ("evacuate", "replace"):
        told.append(
            "Do not use the old drive again. It still holds your data: have it destroyed if you do not want it kept."
        )
    told.append(
        "Any drive can fail without warning, a new one too. Keep a second copy of what you cannot do without: a clean"
        " reading is not a guarantee."
    )
    told.append("Opening the unit may end its maker's warranty where you live; ask us before you have it opened again.")
    return told


def _in_hundred(fraction: float) -> int:
    """Of a hundred, rounded, but neither none nor all: no data says never or always."""
    return min(99, max(1, round(fraction * 100)))


def _clipped(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def name_of(case: Case) -> tuple[str | None, str | None]:
    """The old and the new drive, as they are called."""
    old, new = newest(case.old_drive), newest(case.inspected)
    dead = case.fact("dead-drive")
    old_name = str(Who.of(old.document.drive)) if old is not None else (dead.document.about if dead else None)
    return old_name, str(Who.of(new.document.drive)) if new is not None and case.route != "same-drive" else None
