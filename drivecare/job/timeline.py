"""A job in order: each result in a sentence, then the next step; and the job in one line of a list."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from drivecare.clock import format_timestamp, parse_timestamp
from drivecare.documents import decode
from drivecare.errors import BadInput, DriveCareError
from drivecare.format import format_bytes, format_count
from drivecare.job.attestations import FACTS
from drivecare.job.contents import JobContents
from drivecare.job.filed_readings import CLOCKS_DIFFER, taken_at
from drivecare.job.gate_copy import PROOF_STANDS
from drivecare.job.history import names_of_drives
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.losses import areas_lost
from drivecare.job.model import Closing, JobTimeline, TimelineEntry, Withdrawal
from drivecare.job.next_step import find_next_step
from drivecare.job.outcome import find_outcome
from drivecare.job.overview import JobLine
from drivecare.job.result_files import ResultFile, check_job_id, document_kind, parse_file_name
from drivecare.job.waiting import find_wait
from drivecare.reading.identity import normalise_serial


def build_timeline(job: JobState) -> JobTimeline:
    """Tell everything filed in a job so far, in order. Raises BadInput naming a file that is malformed."""
    opening = job.opening
    step = find_next_step(job)
    return JobTimeline(
        id=job.id,
        folder=str(job.folder),
        host=opening.host,
        host_name=opening.host_name,
        label=opening.label,
        complaint=opening.complaint,
        reference=opening.reference,
        tags=opening.tags,
        symptoms=opening.symptoms,
        advice=opening.advice,
        opened_at=opening.opened_at,
        by=opening.by,
        state="closed" if job.closing else "open",
        route=job.route,
        verdict=job.old_drive.document.verdict if job.old_drive is not None else None,
        gate_open=job.gate.open,
        story=tuple(_timeline_entry(job, file) for file in job.contents.files),
        faults=job.audit.sentences,
        unfinished=job.unfinished,
        lost=areas_lost(job),
        next=step.command,
        why=step.why if step.command is not None else None,
    )


@dataclass(frozen=True, kw_only=True)
class JobSummary:
    """A job in one line of a list, and what a search looks it up by.

    `holds_until` is when the line changes by the mere passing of time: a proof of a copy grows old. None: never.
    `drives` are the names of every drive that was read.
    """

    line: JobLine
    holds_until: datetime | None = None
    drives: frozenset[str] = frozenset()


def summarise_job(id: str, read: Callable[[], JobContents], *, now: datetime | None = None) -> JobSummary:
    """Summarise a job; one that cannot be read says so in its line instead of hiding the others."""
    try:
        check_job_id(id)
        contents = read()
        job = load_job_state(contents, now=now)
        return JobSummary(line=_line_of(job), holds_until=_holds_until(job), drives=names_of_drives(contents))
    except DriveCareError as error:
        return JobSummary(line=JobLine(id=ascii(id)[1:-1], error=error.message()))


def _holds_until(job: JobState) -> datetime | None:
    """The next moment at which the gate may turn although nothing is filed; `now` if that is not known."""
    if job.unfinished or parse_timestamp(job.opening.opened_at) is None:  # a copy goes on without a word in the job
        return job.now
    turns = [read_at - CLOCKS_DIFFER for filed in job.assessments if (read_at := taken_at(filed)) is not None]
    if job.proof.at is not None:
        turns += [job.proof.at - CLOCKS_DIFFER, job.proof.at + PROOF_STANDS]
    return min((turn for turn in turns if turn >= job.now), default=None)


def _line_of(job: JobState) -> JobLine:
    serials = {filed.document.drive.serial for filed in job.assessments}
    waits_for, missing = find_wait(job)
    filed_by = job.contents.filed_by(job.contents.files[-1])
    return JobLine(
        id=job.id,
        host=job.opening.host,
        reference=job.opening.reference,
        tags=job.opening.tags,
        state="closed" if job.closing else "open",
        opened_at=job.opening.opened_at,
        serials=tuple(sorted(filter(None, serials))),
        verdict=job.old_drive.document.verdict if job.old_drive is not None else None,
        gate_open=job.gate.open,
        unfinished=job.copies_to_finish,
        waits_for=waits_for,
        missing=missing,
        by=filed_by.by if filed_by is not None else None,
        bench=filed_by.bench if filed_by is not None else None,
        outcome=find_outcome(job),
    )


@dataclass(frozen=True, kw_only=True)
class JobFilter:
    """Which jobs to list; None asks for all. `since` is the moment after which they were opened."""

    state: str | None = None
    gate: str | None = None
    verdict: str | None = None
    host: str | None = None
    serial: str | None = None
    waits_for: str | None = None
    reference: str | None = None
    tag: str | None = None
    bench: str | None = None
    since: datetime | None = None

    def matches(self, line: JobLine) -> bool:
        """Whether a job is listed. One that cannot be read always is."""
        return line.error is not None or (
            self.state in (None, line.state)
            and (self.gate is None or line.gate_open is (self.gate == "open"))
            and self.verdict in (None, line.verdict)
            and self.host in (None, line.host)
            and self.waits_for in (None, line.waits_for)
            and self.bench in (None, line.bench)
            and (self.since is None or _was_opened_since(line, self.since))
            and (self.reference is None or self.reference.casefold() in (line.reference or "").casefold())
            and (self.tag is None or self.tag.casefold() in map(str.casefold, line.tags))
            and (self.serial is None or normalise_serial(self.serial) in map(normalise_serial, line.serials))
        )


def _was_opened_since(line: JobLine, moment: datetime) -> bool:
    """Whether a job was opened at that moment or later; one that does not say when is not left out."""
    opened_at = parse_timestamp(line.opened_at)
    return opened_at is None or opened_at >= moment


_LONGEST = 600  # letters in a line of the timeline; the document has the rest


def _timeline_entry(job: JobState, file: ResultFile) -> TimelineEntry:
    name = file.path.name
    try:
        document: Any = decode(object, job.contents.data(file), origin=str(file.path))
        sentence = _SENTENCES.get(file.kind, _unknown_sentence)(document)
    except (BadInput, KeyError, TypeError, AttributeError, ValueError) as error:
        if name not in job.audit.doubtful:
            if isinstance(error, BadInput):
                raise
            raise BadInput("is not a document of a job", location=str(file.path)) from error
        sentence = "cannot be read"
    entry = job.withdrawals.get(name)
    filed_by = job.contents.filed_by(file)
    return TimelineEntry(
        number=file.number,
        kind=file.kind,
        filed_at=format_timestamp(file.filed_at),
        serial=file.serial,
        says=sentence if len(sentence) <= _LONGEST else f"{sentence[:_LONGEST]}...",
        file=name,
        withdrawn_by=entry.number if entry is not None else None,
        by=filed_by.by if filed_by is not None else None,
        bench=filed_by.bench if filed_by is not None else None,
    )


def _opening_sentence(document: dict[str, Any]) -> str:
    return f"opened for {document.get('host_name') or document['host']}"


def _fact_sentence(document: dict[str, Any]) -> str:
    about = f" {document['about']}" if document.get("about") else ""
    return f"{document['fact']}{about}: {document.get('note') or FACTS[document['fact']].says}"


def _reading_sentence(document: dict[str, Any]) -> str:
    hours = document["values"].get("power_on_hours")
    return f"read {document['drive'].get('model') or 'a drive'}" + (
        f", {hours:,} hours powered on" if hours is not None else ""
    )


def _assessment_sentence(document: dict[str, Any]) -> str:
    as_new = " (as new)" if document.get("sale") == "new" else ""
    return f"{document['verdict']}{as_new}: {document['headline']}"


def _plan_sentence(document: dict[str, Any]) -> str:
    fitting = sum(candidate["fits"] == "yes" for candidate in document["candidates"])
    chosen = f"{document['chosen']} chosen" if document.get("chosen") else "none chosen"
    return f"{fitting} of {len(document['candidates'])} candidates fit {document['host_name']}, {chosen}"


def _receipt_sentence(document: dict[str, Any]) -> str:
    unreadable = document["unreadable"]
    proven = f"verified ({document['verification']['method']})" if document["verified"] else "NOT verified"
    if unread := sum(area["length"] for area in document.get("unread", ())):
        proven = f"NOT whole, {format_bytes(unread)} unread"
    if sum(area["length"] for area in unreadable) >= document["bytes_total"]:
        proven = "NOTHING copied"
    areas = format_count(len(unreadable), "area")
    gap = f", {sum(area['length'] for area in unreadable):,} bytes in {areas} unreadable" if unreadable else ""
    source, target, written = document["source"], document["target"], document.get("instead_of")
    if written:
        return f"{proven}{gap}: {target['path']} read against the copy of {source['path']} to {written['path']}"
    return f"{proven}{gap}: {source['path']} copied to {target['path']}"


def _bag_sentence(document: dict[str, Any]) -> str:
    proven = "verified" if document["verified"] else "NOT verified"
    return f"{proven}: {format_count(document['files'], 'file')} copied to {document['target']['path']}"


def _readscan_sentence(document: dict[str, Any]) -> str:
    extent = "" if document["complete"] else ", stopped early"
    unreadable, slow = (format_count(len(document[key]), f"{key} area") for key in ("unreadable", "slow"))
    return f"surface read{extent}: {unreadable}, {slow}"


def _selftest_sentence(document: dict[str, Any]) -> str:
    return f"{document.get('kind') or ''} self-test: {document['state']}".strip()


def _closing_sentence(document: dict[str, Any]) -> str:
    started = "the unit starts" if document["unit_started"] else "the unit does not start"
    return f"closed: {started}, old drive {document['old_drive']}"


def withdrawal_sentence(document: dict[str, Any]) -> str:
    """Tell what no longer counts, and why."""
    numbers, note = _numbers(document["files"]), document["note"]
    if document.get("moved_to"):
        return f"{numbers} moved to job {document['moved_to']}: {note}"
    files = [file for name in document["files"] if (file := parse_file_name(Path(name))) is not None]
    if any(file.kind == document_kind(Closing) for file in files):
        return f"open again: {note}"
    if any(file.kind == document_kind(Withdrawal) for file in files):
        return f"{numbers} taken back, what it withdrew counts again: {note}"
    return f"{numbers} withdrawn: {note}"


def _move_sentence(document: dict[str, Any]) -> str:
    return f"{_numbers(document['files'])} came from job {document['jobs'][-1]}: {document['note']}"


def change_sentence(document: dict[str, Any]) -> str:
    """Tell what was corrected."""
    unit = document.get("host_name") or document.get("host")
    tags = document.get("tags")
    changes = (
        ("unit is", unit),
        ("complaint is", document.get("complaint")),
        ("reference is", document.get("reference")),
        ("tags are", ", ".join(tags) or "none" if tags is not None else None),
    )
    corrections = ", ".join(f"{words} {value}" for words, value in changes if value is not None)
    return f"corrected: {corrections}" + (f" ({document['note']})" if document.get("note") else "")


def _numbers(files: Iterable[str]) -> str:
    """Name results by their numbers: "0002 and 0003"."""
    return " and ".join(name.partition("-")[0] for name in files)


def _unknown_sentence(document: dict[str, Any]) -> str:
    return str(document.get("schema", "a file")).removeprefix("drivecare/")


_SENTENCES: dict[str, Callable[[dict[str, Any]], str]] = {
    "opening": _opening_sentence,
    "fact": _fact_sentence,
    "reading": _reading_sentence,
    "assessment": _assessment_sentence,
    "plan": _plan_sentence,
    "receipt": _receipt_sentence,
    "bag": _bag_sentence,
    "readscan": _readscan_sentence,
    "selftest": _selftest_sentence,
    "closing": _closing_sentence,
    "withdrawal": withdrawal_sentence,
    "move": _move_sentence,
    "change": change_sentence,
}
