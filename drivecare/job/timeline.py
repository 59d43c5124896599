"""A job's story: each result in a sentence, in order, and the next step."""

from __future__ import annotations

from collections.abc import Callable, Container
from typing import Any

from drivecare.documents import decode, read_bytes
from drivecare.errors import BadInput, DriveCareError
from drivecare.format import format_count
from drivecare.job.attestations import FACTS
from drivecare.job.folder import JobFolder, check_job_id
from drivecare.job.gate import judge_gate
from drivecare.job.job_state import JobState, load_job_state
from drivecare.job.model import Gate, JobLine, JobTimeline, TimelineEntry
from drivecare.job.result_files import ResultFile


def build_timeline(folder: JobFolder, case: JobState) -> JobTimeline:
    """The story of a job so far. Raises BadInput naming a file that is malformed."""
    opening, gate = case.opening, judge_gate(case)
    following, why = next_step(case, gate)
    return JobTimeline(
        id=case.id,
        folder=str(folder.path),
        host=opening.host,
        host_name=opening.host_name,
        label=opening.label,
        complaint=opening.complaint,
        symptoms=opening.symptoms,
        advice=opening.advice,
        opened_at=opening.opened_at,
        by=opening.by,
        state="closed" if case.closing else "open",
        route=gate.route,
        verdict=case.old_drive_readings[-1].document.verdict if case.old_drive_readings else None,
        gate_open=gate.open,
        story=tuple(_line(entry, case.audit.doubtful) for entry in folder.result_files()),
        faults=case.audit.sentences,
        next=following,
        why=why,
    )


def next_step(case: JobState, gate: Gate) -> tuple[str | None, str | None]:
    """The one command to type next and why; nothing once the job is closed."""
    if case.closing is not None:
        return None, None
    for item in gate.items:
        if not item.holds:
            following = None if item.next == case.command("job", "show", case.id, job=False) else item.next
            return following, f"{item.item}: {item.evidence}"
    close = case.command("job", "close", case.id, "--started", "--old-drive", "returned", job=False)
    return close, "the gate is open: fit the drive, start the unit, write the sheet, close the job"


def summarise_job(folder: JobFolder) -> JobLine:
    """The job in one line of the list; a malformed one says so instead of hiding the others.

    The results are held against the chain by their names: digests are for the gate, which is asked for one job.
    """
    try:
        check_job_id(folder.id)
        case = load_job_state(folder, digests=False)
        gate = judge_gate(case)
    except DriveCareError as error:
        return JobLine(id=ascii(folder.id)[1:-1], error=error.message())
    return JobLine(
        id=case.id,
        host=case.opening.host,
        state="closed" if case.closing else "open",
        opened_at=case.opening.opened_at,
        serials=tuple(sorted({one.document.drive.serial for one in case.assessments if one.document.drive.serial})),
        verdict=case.old_drive_readings[-1].document.verdict if case.old_drive_readings else None,
        gate_open=gate.open,
    )


_LONGEST = 600  # letters in a line of the story; the document has the rest


def _line(entry: ResultFile, doubtful: Container[str]) -> TimelineEntry:
    try:
        document: Any = decode(object, read_bytes(entry.path), origin=str(entry.path))
        says = _SAYS.get(entry.kind, _unknown)(document)
    except (BadInput, KeyError, TypeError, AttributeError, ValueError) as error:
        if isinstance(error, BadInput) and entry.path.name not in doubtful:
            raise
        if entry.path.name not in doubtful:
            raise BadInput("is not a document of a job", location=str(entry.path)) from error
        says = "cannot be read"
    return TimelineEntry(
        number=entry.number,
        kind=entry.kind,
        filed_at=entry.filed_at.isoformat(),
        serial=entry.serial,
        says=says if len(says) <= _LONGEST else f"{says[:_LONGEST]}...",
        file=entry.path.name,
    )


def _opening(document: dict[str, Any]) -> str:
    return f"opened for {document.get('host_name') or document['host']}"


def _fact(document: dict[str, Any]) -> str:
    about = f" {document['about']}" if document.get("about") else ""
    return f"{document['fact']}{about}: {document.get('note') or FACTS[document['fact']].says}"


def _reading(document: dict[str, Any]) -> str:
    hours = document["values"].get("power_on_hours")
    return f"read {document['drive'].get('model') or 'a drive'}" + (
        f", {hours:,} hours powered on" if hours is not None else ""
    )


def _assessment(document: dict[str, Any]) -> str:
    as_new = " (as new)" if document.get("sale") == "new" else ""
    return f"{document['verdict']}{as_new}: {document['headline']}"


def _plan(document: dict[str, Any]) -> str:
    fitting = sum(one["fits"] == "yes" for one in document["candidates"])
    chosen = f"{document['chosen']} chosen" if document.get("chosen") else "none chosen"
    return f"{fitting} of {len(document['candidates'])} candidates fit {document['host_name']}, {chosen}"


def _receipt(document: dict[str, Any]) -> str:
    lost = document["unreadable"]
    proven = f"verified ({document['verification']['method']})" if document["verified"] else "NOT verified"
    if sum(area["length"] for area in lost) >= document["bytes_total"]:
        proven = "NOTHING copied"
    areas = format_count(len(lost), "area")
    gap = f", {sum(area['length'] for area in lost):,} bytes in {areas} unreadable" if lost else ""
    source, target, written = document["source"], document["target"], document.get("instead_of")
    if written:
        return f"{target['path']} read against the copy of {source['path']} to {written['path']}: {proven}{gap}"
    return f"{source['path']} copied to {target['path']}: {proven}{gap}"


def _bag(document: dict[str, Any]) -> str:
    proven = "verified" if document["verified"] else "NOT verified"
    return f"{format_count(document['files'], 'file')} copied to {document['target']['path']}: {proven}"


def _readscan(document: dict[str, Any]) -> str:
    part = "" if document["complete"] else ", stopped early"
    return f"surface read{part}: {len(document['unreadable']):,} unreadable and {len(document['slow']):,} slow areas"


def _selftest(document: dict[str, Any]) -> str:
    return f"{document.get('kind') or ''} self-test: {document['state']}".strip()


def _closing(document: dict[str, Any]) -> str:
    started = "the unit starts" if document["unit_started"] else "the unit does not start"
    return f"closed: {started}, old drive {document['old_drive']}"


def _unknown(document: dict[str, Any]) -> str:
    return str(document.get("schema", "a file")).removeprefix("drivecare/")


_SAYS: dict[str, Callable[[dict[str, Any]], str]] = {
    "opening": _opening,
    "fact": _fact,
    "reading": _reading,
    "assessment": _assessment,
    "plan": _plan,
    "receipt": _receipt,
    "bag": _bag,
    "readscan": _readscan,
    "selftest": _selftest,
    "closing": _closing,
}
