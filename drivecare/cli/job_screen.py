"""A job for people: as it is opened, recorded in, shown, listed, exported and closed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from drivecare.clock import format_age, parse_timestamp
from drivecare.format import clip_text, format_count, join_and

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from drivecare.cli.screen import Screen
    from drivecare.fit.model import Advice
    from drivecare.job.job_state import JobState
    from drivecare.job.model import Closing, Export, Fact, JobTimeline, NextStep, Opening, TimelineEntry
    from drivecare.job.overview import History, JobLine, JobList
    from drivecare.record.location import Place
    from drivecare.transfer.holds import AreaContents

_MOST_AREAS = 8  # that a copy lacks

# In the short forms.
MOST_LINES = 8  # of a job's results
LONGEST_WAIT = 24  # of what a job on the board waits for


def show_next_step(out: Screen, step: NextStep, *, why: bool = True) -> None:
    """Why something comes next, unless the screen says it already, and the command: every "Next:" line of a job."""
    if step.command is not None:
        if why:
            out.print_wrapped(step.why)
        out.print(f"Next: {step.command}", soft_wrap=True)


def show_standing(out: Screen, job: JobState, step: NextStep) -> None:
    """Where a job stands: the unit, its drives, what is attached, what the gate misses; then what comes next."""
    from drivecare.job.model import ROUTES
    from drivecare.reading.identity import DriveId

    opening = job.opening
    read = job.old_drive is not None or job.route != "same-drive"  # before, nobody knows what will go back
    route = ROUTES[job.route] if read else "drive not read yet"
    out.print_wrapped(f"Job {step.job}   {opening.host_name or opening.host}, {route}", style="bold")
    for title, reading in (("old drive", job.old_drive), ("new drive", job.new_drive)):
        if reading is not None:
            verdict = reading.document.verdict
            out.print_wrapped(f"{title}: {DriveId.of(reading.document.drive)}, {verdict}", first="  ", indent=4)
    for drive in job.bench.drives if job.bench is not None else ():
        use = "" if drive.free else ", in use"
        out.print_wrapped(f"attached: {DriveId.of(drive)}{use}", first="  ", indent=4)
        out.print(f"    {drive.path}", soft_wrap=True)
    if step.missing:
        missing = format_count(len(step.missing), "item")
        out.print_wrapped(f"gate SHUT, {missing} missing: {', '.join(step.missing)}", first="  ", indent=4)
    out.print()
    if step.command is None:
        out.print_wrapped(f"Nothing comes next: {step.why}.")
    show_next_step(out, step)


def show_opening(out: Screen, opening: Opening, place: str) -> None:
    """The job as it was opened, and the advice for its symptoms."""
    out.print_wrapped(f"Job {opening.id} opened for {opening.host_name} in {place}", indent=2)
    _show_advice_list(out, opening.advice)


def _show_advice_list(out: Screen, advice_list: Sequence[Advice]) -> None:
    for advice in advice_list:
        likelihood = "" if advice.drive_likely else " (the drive is less likely)"
        out.print_wrapped(f"{advice.symptom}: {advice.cause}{likelihood}", first="  ", indent=4)
        for check in advice.first:
            out.print_wrapped(f"check first: {check}", first="    ", indent=6)


def show_facts(out: Screen, facts: Sequence[Fact]) -> None:
    """What was recorded."""
    from drivecare.job.attestations import FACTS

    for fact in facts:
        about = f" {fact.about}" if fact.about else ""
        says = fact.note if FACTS[fact.fact].note is not None else FACTS[fact.fact].says
        out.print_wrapped(f"Recorded {fact.fact}{about}, by {fact.by}: {says}", indent=2)


def show_timeline(
    out: Screen,
    timeline: JobTimeline,
    step: NextStep,
    lost: Sequence[AreaContents],
    notes: Mapping[int, str | None],
    *,
    place: str,
    full: bool,
) -> None:
    """The job's results in order, what is wrong with them, what is half done or lost, and the next step.

    `lost` is what the timeline says of it, with the names of files; `notes` are the words of notes about the customer,
    None where they are gone; `place` is where the job is.

    The short form fits a small terminal: the newest results, each in one line, and how many are not as filed.
    """
    from drivecare.job.model import ROUTES

    gate = "open" if timeline.gate_open else "shut"
    out.print_wrapped(f"Job {timeline.id}   {timeline.state}, gate {gate}, {ROUTES[timeline.route]}", style="bold")
    out.print_wrapped(f"{timeline.host_name or timeline.host}, labelled {timeline.label}")
    labels = (("Complaint", timeline.complaint), ("Reference", timeline.reference), ("Tags", ", ".join(timeline.tags)))
    for title, words in labels:
        if words:
            line = f"{title}: {words}"
            out.print_wrapped(line if full else clip_text(line, out.readable), indent=2)
    if full:
        _show_advice_list(out, timeline.advice)
    out.print()
    _show_story(out, timeline, notes, full=full)
    _show_losses(out, lost, full=full)
    _show_troubles(out, timeline, step, full=full)
    out.print()
    out.print_lines((f"Everything is in {place}", ""))
    show_next_step(out, step)


def _show_story(out: Screen, timeline: JobTimeline, notes: Mapping[int, str | None], *, full: bool) -> None:
    from drivecare.clock import format_time

    newest = timeline.story if full else timeline.story[-MOST_LINES:]
    rows = [
        (f"{entry.number:04}", format_time(entry.filed_at), entry.kind, _says(entry, filer, notes))
        for entry, filer in zip(newest, name_filers(newest), strict=True)
    ]
    out.print_table([("", "when", "what", "says"), *rows], heading=True, clip=not full)
    if not full:
        earlier = len(timeline.story) - len(newest)
        advice = ["the advice for its symptoms"] if timeline.advice else []
        copies = len(timeline.unfinished) - 1
        left_out = [
            *([format_count(earlier, "earlier result")] if earlier > 0 else []),
            *([format_count(copies, "more unfinished copy", "more unfinished copies")] if copies > 0 else []),
            "whole sentences",
            *advice,
        ]
        out.print_wrapped(f"More with --full: {join_and(left_out)}.")


def _show_losses(out: Screen, lost: Sequence[AreaContents], *, full: bool) -> None:
    """What lies in the first areas that the copy lacks, in the short form of the very first alone."""
    from drivecare.cli.contents_screen import area_lines
    from drivecare.transfer.areas import total

    if not any(area.holds for area in lost):
        return
    count = f"The copy lacks {format_count(total(lost), 'byte')} in {format_count(len(lost), 'area')}"
    if not full:
        first = next(area for area in lost if area.holds)
        words = [line.strip() for line in area_lines(first)]
        out.print(clip_text(f"{count}: {words[1]}", out.readable))
        return
    out.print_lines(("", f"{count}:"))
    for area in lost[:_MOST_AREAS]:
        out.print_lines(area_lines(area))
    if (others := len(lost) - _MOST_AREAS) > 0:
        out.print_lines([f"  and {format_count(others, 'more area', 'more areas')}, all with --json"])


def _show_troubles(out: Screen, timeline: JobTimeline, step: NextStep, *, full: bool) -> None:
    """What is half done, but for what comes next, which says it; and what is not as it was filed."""
    from drivecare.job.unfinished import tell_unfinished

    for copy in timeline.unfinished:
        if full and copy.resume != step.command:
            out.print()
            out.print_wrapped(f"Not finished: {tell_unfinished(copy)}")
            out.print(f"  {copy.resume}", soft_wrap=True)
    if not timeline.faults:
        return
    if not full:
        count = format_count(len(timeline.faults), "result")
        out.print_wrapped(f"Not as filed: {count}, named with --full.")
        return
    out.print_lines(("", "Not as filed:"))
    for fault in timeline.faults:
        out.print_wrapped(fault, first="  ", indent=4)
    out.print_wrapped("A result that is in an export or a backup of the job can be put back under its own name.")


def _says(entry: TimelineEntry, filer: str, notes: Mapping[int, str | None]) -> str:
    says = entry.says
    if entry.number in notes:
        says = f"about the customer: {notes[entry.number] or 'the words are not here any more'}"
    if entry.withdrawn_by is not None:
        says = f"does not count, see {entry.withdrawn_by:04}: {says}"
    return f"{filer}: {says}" if filer else says


class Filed(Protocol):
    """What tells who filed it, and where."""

    @property
    def by(self) -> str | None: ...
    @property
    def bench(self) -> str | None: ...


def name_filers(filed: Sequence[Filed]) -> list[str]:
    """Name who filed each of these, and where, by what differs among them: nothing for one person at one bench."""
    people, benches = [each.by or "" for each in filed], [each.bench or "" for each in filed]
    telling = [names for names in (people, benches) if len({*names} - {""}) > 1]
    return [", ".join(filter(None, names)) for names in zip(*telling, strict=True)] or [""] * len(filed)


def show_jobs(out: Screen, listed: JobList, jobs: Place, *, now: datetime, full: bool) -> None:
    """The jobs in a table, each in one line unless in `full`, its reference and tags below; then the unreadable."""
    if not listed.total:
        out.print(f"No job to list in {jobs}. To open one: drivecare job new --help", soft_wrap=True)
        return
    lines = [line for line in listed.jobs if line.error is None]
    filers = name_filers(lines)
    rows = [_board_row(line, now, filer) for line, filer in zip(lines, filers, strict=True)]
    if not full:
        rows = [(*others, clip_text(waits, LONGEST_WAIT), unit) for *others, waits, unit in rows]
    if rows:
        heading = ("job", "age", "state", "verdict", "waits for", "filed by; unit" if any(filers) else "unit")
        notes = [", ".join(filter(None, (line.reference, *line.tags))) for line in lines]
        out.print_table([heading, *rows], heading=True, clip=not full, notes=["", *notes])
    for line in listed.jobs:
        if line.error is not None:
            out.print_wrapped(f"{line.id} cannot be read: {line.error}", indent=2)
    show_page(out, listed)


def show_page(out: Screen, listed: JobList | History) -> None:
    """Which page it is where there are several, and how to see older jobs."""
    if listed.page is not None and listed.pages is not None and listed.pages > 1:
        older = f" Older ones: the same with --page {listed.page + 1}." if listed.page < listed.pages else ""
        out.print_wrapped(f"Page {listed.page:,} of {listed.pages:,}, {listed.total or 0:,} jobs in all.{older}")


def _board_row(line: JobLine, now: datetime, filer: str) -> tuple[str, ...]:
    from drivecare.job.unfinished import tell_progress

    opened = parse_timestamp(line.opened_at)
    state = "closed" if line.state == "closed" else f"gate {'open' if line.gate_open else 'shut'}"
    waits = ": ".join(filter(None, (line.waits_for, line.missing)))
    if line.unfinished:
        waits = f"copy: {tell_progress(line.unfinished[-1], now)}"
    unit = "; ".join(filter(None, (filer, line.host)))
    return line.id, format_age(opened, now) if opened else "-", state, line.verdict or "-", waits or "-", unit or "-"


def show_export(out: Screen, archive: Export) -> None:
    """Where the archive is, and what was left out of it."""
    from drivecare.job.export import ARCHIVE_MANIFEST

    out.print(f"{archive.path}: {len(archive.files)} files and {ARCHIVE_MANIFEST}", soft_wrap=True)
    for omission in archive.left_out:
        out.print(f"  left out: {omission.file} ({omission.reason})", soft_wrap=True)


def show_closing(out: Screen, id: str, closing: Closing) -> None:
    """How the job ended, and what became of each copy of the customer's data."""
    from drivecare.job.copies import name_copy

    out.print(f"Job {id} closed. Old drive {closing.old_drive}.", soft_wrap=True)
    for image in closing.images:
        out.print(f"  {image.fate}: {name_copy(Path(image.path), image.kind)}", soft_wrap=True)
    if any(image.fate == "kept" and image.kind in ("image", "bag") for image in closing.images):
        out.print_wrapped(
            "The shop keeps the customer's data: agree with the customer for how long, note who deletes it and when, "
            "and mind your local law on keeping it."
        )
