"""What the customer reads: what was wrong, what was done, what to watch, in plain words, from the job's results alone.

Nothing is said here that no reading, no copy and no recorded fact says: tests/job/test_customer.py pairs every sentence
with what it stands on. Where something is not done or not known, that is said instead.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivecare.format import format_bytes, format_count
from drivecare.job.filed_readings import time_of_reading
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import JobState, newest_of
from drivecare.job.model import Closing
from drivecare.job.proof import find_copy_proof, was_written_to
from drivecare.job.times import day
from drivecare.reading.identity import DriveId
from drivecare.reading.surface import SurfaceScan
from drivecare.risk.model import Chance, FaultClass, Verdict

WRONG: dict[Verdict, str] = {
    "evacuate": "When we read the drive in your {unit}, it was losing data or warned that it may fail.",
    "replace": "The drive in your {unit} still answered, but showed signs for which a drive is replaced.",
    "recheck": "The drive in your {unit} showed something that has to be cleared up before it can be judged.",
    "refit": "In what the drive in your {unit} records about itself we found nothing against it.",
    "unproven": "What the drive in your {unit} reports does not let us judge it.",
}

BECAUSE: dict[FaultClass, str] = {
    "media": "There were errors in the part that holds the data.",
    "wear": "It reports that its memory is worn.",
    "mechanics": "It reports trouble with its moving parts.",
    "heat": "It reports that it was too hot.",
    "link": "There were errors on its connection, which a cable, a plug or a port can cause.",
    "locked": "It is locked with a password.",
    "electronics": "It reports faults of its electronics.",
    "none": "",
}

OLD_DRIVE = {
    "returned": "We give your old drive back to you.",
    "kept": "We keep your old drive.",
    "destroyed": "Your old drive was destroyed.",
}

# Where a chance comes from, by the first word of its basis: what a hundred drives did, or what we think they would.
ODDS = {
    "measured": "about {count} of 100 drives that showed the same failed within a year{spread}",
    "published": "about {count} of 100 such drives failed within a year{spread}, as was published of others",
    "judgement": "we think that about {count} of 100 such drives would fail within a year{spread}; nobody measured it",
}
CLEAN = {
    "measured": " Of drives as old with nothing to show, about {count} did.",
    "published": " Of drives with nothing to show, about {count} did.",
    "judgement": "",
}


@dataclass(frozen=True, kw_only=True)
class CustomerPage:
    """The customer's half of the sheet, in sentences. `done` is whether the work is complete."""

    headline: str
    done: bool
    wrong: tuple[str, ...]
    did: tuple[str, ...]
    watch: tuple[str, ...]


def write_customer_page(case: JobState) -> CustomerPage:
    """Everything the customer reads."""
    gate = judge_gate(case)
    proven = frozenset(item.item for item in gate.items if item.holds)
    return CustomerPage(
        headline=_headline(case, finished=gate.open),
        done=gate.open,
        wrong=tuple(_wrong(case, proven)),
        did=tuple(_did(case, proven)),
        watch=tuple(_watch(case)),
    )


def unit_name(case: JobState) -> str:
    """The unit in a few words."""
    return case.opening.host_name or case.opening.label


def describe_odds(chance: Chance) -> str | None:
    """A chance as people count: "about 87 of 100 drives that showed the same failed within a year"."""
    if chance.estimate is None:
        return None
    spread = ""
    if chance.low is not None and chance.high is not None:
        spread = f" (between {in_hundred(chance.low)} and {in_hundred(chance.high)})"
    return ODDS[_origin(chance)].format(count=in_hundred(chance.estimate), spread=spread)


def describe_baseline(chance: Chance) -> str:
    """What drives with nothing to show did, and where the figures come from, as far as anybody counted it."""
    origin = _origin(chance)
    clean = "" if chance.clean is None else CLEAN[origin].format(count=in_hundred(chance.clean))
    return clean if origin == "judgement" else f"{clean} The figures come from drives in data centres."


def _origin(chance: Chance) -> str:
    """What the basis of a chance says it is; judgement, which claims least, where it says something else."""
    word = chance.basis.partition(":")[0]
    return word if word in ODDS else "judgement"


def _headline(case: JobState, *, finished: bool) -> str:
    closing = case.closing.document if case.closing is not None else None
    if closing is not None and not closing.unit_started:
        return "Your unit does not start."
    if not finished:
        return "The work on your unit is not finished." if closing is None else "Not all of this work is proven."
    if case.route == "same-drive":
        return "Your unit keeps its own drive."
    start = "A new drive is ready for your unit" if closing is None else "Your unit has a new drive"
    if case.route == "new-drive-empty":
        return f"{start}. As agreed, your data is not carried over."
    proof = find_copy_proof(case)
    if proof.bag is not None:
        return f"{start}, with {format_count(proof.bag.document.files, 'file')} copied from the old one."
    if not proof.whole:
        return f"{start}, with what was copied of your old drive."
    return f"{start}, " + (
        "with all of your data that could be read." if proof.unreadable else "and your data is on it."
    )


def _wrong(case: JobState, proven: frozenset[str]) -> list[str]:
    told = [f"You told us: “{_clipped(case.opening.complaint, 200)}”"]
    dead, read = case.newest_fact("dead-drive"), newest_of(case.old_drive_readings)
    if read is None and dead is not None:
        return [*told, f"The drive in your {unit_name(case)} answered on no dock and no cable."]
    if read is None and case.used_assessments:
        return [*told, "Several drives were read; which of them is yours is not recorded."]
    if read is None:
        return [*told, "The drive was not read yet."]
    if "old-drive-read" not in proven:
        return [*told, "A drive was read, but it is not certain that it tells how yours is now."]
    judged = read.document
    told.append(WRONG[judged.verdict].format(unit=unit_name(case)))
    told += [BECAUSE[fault] for fault in judged.fault_classes if judged.verdict != "refit" and BECAUSE[fault]]
    seen = case.trouble_since(read)
    if seen is not None:
        told.append(f"After that, {seen}.")
    return told


def _did(case: JobState, proven: frozenset[str]) -> list[str]:
    told = []
    read = newest_of(case.old_drive_readings)
    if read is not None:
        told.append(f"We read what your drive records about itself ({day(time_of_reading(read))}) and judged it.")
        told += [_scanned(scan.document) for scan in case.scans_of(read.document.drive)[-1:]]
        if read.document.verdict == "recheck" and "verdict" in proven:
            told.append("We did what clears that up and read the drive again: nothing had grown.")
    if case.route != "same-drive":
        told += _new_drive_did(case, proven)
    if case.closing is not None:
        end = case.closing.document
        told.append(f"The unit {'started' if end.unit_started else 'did not start'} when we tried it.")
        told.append(OLD_DRIVE[end.old_drive])
        told += _images(end)
    return told


def _scanned(scan: SurfaceScan) -> str:
    whole = scan.sample_percent == 100 and scan.complete
    result = (
        f"{format_count(len(scan.unreadable), 'area')} could not be read"
        if scan.unreadable
        else "all of that could be read"
    )
    return f"We read {'its whole surface' if whole else 'part of its surface'}: {result}."


def _new_drive_did(case: JobState, proven: frozenset[str]) -> list[str]:
    told = []
    plan = case.plan.document if case.plan is not None else None
    if plan is not None and plan.chosen is not None and "plan" in proven:
        others = f" out of {len(plan.candidates)} that we compared" if len(plan.candidates) > 1 else ""
        told.append(
            f"We chose a drive that fits your unit by what is known of both{others}: {_clipped(plan.chosen, 60)}."
        )
    if "inspection" in proven:
        told.append(
            "We read what the new drive records about itself: nothing in it speaks against a drive sold as new."
        )
    told += _copied(case)
    if case.newest_fact("no-data") is not None and case.route == "new-drive-empty":
        itself = " The unit sets up the new drive itself." if plan and plan.migration == "unit-initialises" else ""
        told.append(f"You agreed to start without the data of the old drive.{itself}")
    return told


def _copied(case: JobState) -> list[str]:
    proof = find_copy_proof(case)
    if proof.holds and proof.bag is not None:
        files = format_count(proof.bag.document.files, "file")
        return [f"We copied {files} and read all of them back from the new drive: they agree."]
    if proof.holds:
        copied = format_bytes(proof.chain[-1].document.bytes_copied)
        if not proof.whole:
            part = f"We copied {copied} of your old drive, which by its size may not be all that it holds"
            return [f"{part}, and read it back from the new drive: every part agrees."]
        rest = " that could be read" if proof.unreadable else ""
        return [f"We copied everything{rest}, {copied}, and read it back from the new drive: every part agrees."]
    return ["It is not proven that your data is on another drive."] if case.receipts or case.bags else []


def _images(end: Closing) -> list[str]:
    fates = [image.fate for image in end.images]
    told = []
    if "removed" in fates:
        told.append(
            f"We deleted {format_count(fates.count('removed'), 'copy', 'copies')} of your data that we had made for the"
            " work. Deleting frees the space and does not overwrite it."
        )
    if "gone" in fates:
        told.append(
            f"{format_count(fates.count('gone'), 'copy', 'copies')} made for the work lay no longer in its place."
        )
    if "kept" in fates:
        told.append("We keep a copy of your data.")
    if "handed-over" in fates:
        told.append("A copy of your data was handed to you.")
    return told


def _watch(case: JobState) -> list[str]:
    told = []
    proof = find_copy_proof(case)
    lost = proof.unreadable if case.route == "new-drive-data" else ()
    if lost:
        size = format_bytes(sum(area.length for area in lost))
        told.append(
            f"{format_count(len(lost), 'area')} of the old drive, {size} in all, could not be read."
            " What lay there is missing. If something does not open, tell us before you delete it."
        )
    if case.route == "new-drive-data" and was_written_to(proof.chain):
        told.append(
            "Something wrote to the old drive's copy or to the drive while it was copied: parts of your data may be of"
            " different ages."
        )
    if case.route == "new-drive-data" and proof.bag is not None and proof.bag.document.left_out:
        told.append(f"{format_count(len(proof.bag.document.left_out), 'file')} could not be copied. Ask us which.")
    if case.route == "same-drive":
        told.append(
            "If the trouble comes back, bring the unit in again: then the drive can be read again and compared."
        )
    elif (
        case.old_drive_readings
        and case.old_drive_readings[-1].document.verdict in ("evacuate", "replace")
        and not _is_destroyed(case)
    ):
        told.append(
            "Do not use the old drive again. It may still hold your data: have it destroyed if you do not want it kept."
        )
    told.append(
        "Any drive can fail without warning, a new one too. Keep a second copy of what you cannot do without: a clean"
        " reading is not a guarantee."
    )
    told.append("Opening the unit may end its maker's warranty where you live; ask us before you have it opened again.")
    return told


def _is_destroyed(case: JobState) -> bool:
    return case.closing is not None and case.closing.document.old_drive == "destroyed"


def in_hundred(fraction: float) -> int:
    """Of a hundred, rounded, but neither none nor all: no data says never or always."""
    return min(99, max(1, round(fraction * 100)))


def _clipped(text: str, length: int) -> str:
    return text if len(text) <= length else text[: length - 1].rstrip() + "…"


def drive_names(case: JobState) -> tuple[str | None, str | None]:
    """The old and the new drive, as they are called."""
    old, new = newest_of(case.old_drive_readings), newest_of(case.inspections)
    dead = case.newest_fact("dead-drive")
    old_name = str(DriveId.of(old.document.drive)) if old is not None else (dead.document.about if dead else None)
    return old_name, str(DriveId.of(new.document.drive)) if new is not None and case.route != "same-drive" else None
