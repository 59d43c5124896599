"""What comes next in a job: decided from its state, the gate, and what is attached."""

from __future__ import annotations

import shlex

from drivecare.job.attestations import FACTS, OPEN_NOTE
from drivecare.job.commands import BLANKS, close_command, gate_command, handover_command, rescue_command
from drivecare.job.job_state import JobState
from drivecare.job.model import NextStep
from drivecare.job.unfinished import tell_unfinished


def find_next_step(job: JobState) -> NextStep:
    """Find the one command that comes now, and why: it supplies the first item of the gate that is missing."""
    missing = [item for item in job.gate.items if not item.holds]
    if job.closing is not None:
        return NextStep(job=job.id, state="closed", why="the job is closed")
    if missing:
        first, rescue = missing[0], rescue_command(job)
        command, why = first.next or gate_command(job), f"{first.item}: {first.evidence}"
        if job.copies_to_finish:
            command = job.copies_to_finish[-1].resume
            pair = [copy for copy in job.copies_to_finish if copy.resume == command]
            state = "not whole" if all(copy.stopped_at_used for copy in pair) else "half done"
            extents = "; ".join(tell_unfinished(copy) for copy in pair)
            why = f"{'a copy is' if len(pair) == 1 else 'two copies are'} {state}: {extents}"
        elif rescue is not None:
            command, why = rescue, "the old drive is losing data and no new drive is at hand: copy it to an image first"
        names = tuple(item.item for item in missing)
        return NextStep(job=job.id, state="gate-shut", missing=names, command=command, why=why)
    if not job.sheet_is_current:
        cleared = (
            job.route == "same-drive" and job.old_drive is not None and job.old_drive.document.verdict == "recheck"
        )
        why = "the recheck is cleared and the gate is open" if cleared else "the gate is open"
        why += ": fit the drive, start the unit, and print the sheet"
        return NextStep(job=job.id, state="gate-open", command=handover_command(job), why=why)
    why = "the gate is open and the sheet is written: say how it ended"
    return NextStep(job=job.id, state="gate-open", command=close_command(job), why=why)


def open_blanks(command: str) -> tuple[str, ...]:
    """List the words of a command that a person has to type, each once."""
    return tuple(dict.fromkeys(word for word in shlex.split(command) if word in BLANKS))


def question_for(blank: str, command: str) -> str:
    """Write the question that asks for a blank; a fact's own says what the person vouches for."""
    words = shlex.split(command)
    fact = next((name for name in FACTS if name in words), None) if "record" in words else None
    if blank == OPEN_NOTE and fact is not None:
        says = FACTS[fact].says
        return (
            f"Can you vouch that {says}? {BLANKS[OPEN_NOTE]}" if not says.startswith(("why", "what")) else f"Say {says}"
        )
    return BLANKS[blank]


def fill_blanks(command: str, answers: dict[str, str]) -> list[str]:
    """Put what was typed in the place of each blank, and give the command as words."""
    return [answers.get(word, word) for word in shlex.split(command)]
