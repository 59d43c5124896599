"""`drivecare job`: open a job, record what only a person knows, tell its story, export and close it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, get_args

import click

from drivecare.cli.common import (
    PATH,
    file_result,
    finish,
    job_argument,
    job_folder,
    jobs_option,
    json_option,
    machine,
    named_jobs,
    who,
)
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.terminal import ask, notify

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.fit.model import Advice
    from drivecare.job.copies import CustomerCopy
    from drivecare.job.model import Fact, JobLine, JobList, JobTimeline

VERDICTS = ("refit", "recheck", "replace", "evacuate", "unproven")


def _fact_names(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:  # noqa: ARG001  click's signature
    """For shell completion."""
    from drivecare.job.attestations import FACTS

    return [name for name in FACTS if name.startswith(incomplete)]


class InOrder(click.Group):
    """Subcommands in the order of a job."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  click's signature
        """As they were added."""
        return list(self.commands)


@click.group(cls=InOrder, epilog='\b\nExample: drivecare job new 1042 --host CH-2103 --complaint "hangs at start"')
def job() -> None:
    """One folder per job: every result a dated file in it, nothing overwritten.

    No customer's name is asked for or needed: the job's number on the claim ticket is enough.
    """


@job.command(
    short_help="Open a job; get the advice for its symptoms.",
    epilog='\b\nExample: drivecare job new 1042 --host CH-2103 --complaint "hangs at start" --symptom storage-error',
)
@click.argument("id")
@click.option("--host", "label", metavar="LABEL", required=True, help="What the unit's label says, or a profile's ID.")
@click.option("--complaint", required=True, help="What the customer says is wrong, in their words.")
@click.option("--symptom", "symptoms", multiple=True, help="What you see yourself, by name or in words; repeatable.")
@jobs_option
@json_option
@click.pass_context
def new(
    ctx: click.Context, id: str, label: str, complaint: str, symptoms: tuple[str, ...], jobs: Path, as_json: bool
) -> None:
    """Open a job, and say what the unit's profile advises for its symptoms."""
    from drivecare import __version__
    from drivecare.cli.hosts import known_hosts
    from drivecare.clock import WallClock
    from drivecare.fit.host_catalogue import find_host
    from drivecare.fit.plan import advise
    from drivecare.job.expected_drive import built_for
    from drivecare.job.folder import create_job
    from drivecare.job.job_state import load_job_state
    from drivecare.job.model import Opening

    host = find_host(label, known_hosts())
    opening = Opening(
        id=id,
        opened_at=WallClock().timestamp(),
        by=who(),
        host=host.id,
        host_name=host.name,
        label=label,
        complaint=complaint,
        symptoms=symptoms,
        advice=tuple(advise(symptom, host) for symptom in symptoms),
        built_for=built_for(host),
        tool_version=__version__,
    )
    folder = create_job(opening, jobs)

    def show(out: Screen) -> None:
        out.print(f"Job {id} opened for {host.name} in {folder.path}", soft_wrap=True)
        _show_advice(out, opening.advice)
        following = load_job_state(folder, jobs=named_jobs(ctx), digests=False).command(
            "job", "record", id, "consent", job=False
        )
        out.print(f"Next: {following}", soft_wrap=True)

    finish(opening, show=show, as_json=as_json)


@job.command(
    short_help="Record what only a person can know.",
    epilog="\b\nExample: drivecare job record 1042 unreadable 1048576 9437184",
)
@job_argument
@click.argument("fact", shell_complete=_fact_names)
@click.argument("about", nargs=-1, metavar="[VALUE]...")
@click.option("--note", help="Words to go with it: who signed, what was done, what was said.")
@jobs_option
@json_option
def record(id: str, fact: str, about: tuple[str, ...], note: str | None, jobs: Path, as_json: bool) -> None:
    """Record a fact that only a person can know, with the time and your name.

    \b
    consent                 the customer agreed to opening, reading and copying
    route ROUTE             same-drive, new-drive-data or new-drive-empty
    old-drive SERIAL        which of the drives read here is the customer's
    dead-drive SERIAL       the customer's drive answers on no dock and no cable
    weak-identity SERIAL    what its label says, where a bridge hides the number
    unlike-profile SERIAL   why (--note) a drive unlike the profile's is right
    earlier-reading SERIAL  why (--note) a reading from outside this job holds
    earlier-copy            why (--note) a copy from before this job holds
    way-out                 what was done (--note) to clear up a recheck
    unreadable OFFSET...    the customer knows that this area could not be read
    copy-size               the customer knows that not the whole drive, by its
                            size, was copied
    source-changed          the customer knows that the source was written to
                            while it was copied
    left-out                the customer knows which files could not be copied
    bag-drives              the bag's folders lie on the old and the new drive
    unchanged               nothing was written to the new drive since verified
    detached                power is off, old and new drive are apart
    no-data                 the customer agreed that nothing is carried over
    chain-mended            why (--note) results that an interruption left
                            out of the chain are the job's
    """
    from drivecare.clock import WallClock
    from drivecare.job.attestations import make_fact
    from drivecare.job.job_state import load_job_state

    folder = job_folder(id, jobs)
    receipts = load_job_state(folder, digests=False).receipts
    areas = tuple(area for filed in receipts for area in filed.document.unreadable)
    facts = [
        make_fact(fact, value, note=note, at=WallClock().timestamp(), by=who(), areas=areas)
        for value in (about or (None,))
    ]
    if fact == "chain-mended":
        mended = folder.mend_chain(facts[0])
        notify(f"filed as {mended.file.path}")
        finish(mended.document, show=lambda out: _show_facts(out, [mended.document]), as_json=as_json)
    for made in facts:
        file_result(folder, made)
    finish(facts[-1], show=lambda out: _show_facts(out, facts), as_json=as_json)


@job.command(short_help="Tell a job's story and the next step.", epilog="\b\nExample: drivecare job show 1042")
@job_argument
@jobs_option
@json_option
@click.pass_context
def show(ctx: click.Context, id: str, jobs: Path, as_json: bool) -> None:
    """Tell a job's story in order, and the next step."""
    from drivecare.job.job_state import load_job_state
    from drivecare.job.timeline import build_timeline

    folder = job_folder(id, jobs)
    told = build_timeline(folder, load_job_state(folder, jobs=named_jobs(ctx)))
    finish(told, show=lambda out: _show_job(out, told), as_json=as_json)


@job.command(
    "list",
    short_help="List the jobs, with filters.",
    epilog="\b\nExample: drivecare job list --state open --verdict evacuate",
)
@click.option("--state", type=click.Choice(["open", "closed"]), help="Only jobs in this state.")
@click.option("--gate", type=click.Choice(["open", "shut"]), help="Only jobs whose gate stands so.")
@click.option("--verdict", type=click.Choice(VERDICTS), help="Only jobs whose old drive got this verdict.")
@click.option("--host", help="Only jobs for this unit, by its profile's ID.")
@click.option("--serial", help="Only jobs that read this drive.")
@jobs_option
@json_option
def list_jobs(
    state: str | None,
    gate: str | None,
    verdict: str | None,
    host: str | None,
    serial: str | None,
    jobs: Path,
    as_json: bool,
) -> None:
    """List the jobs, oldest first; a job that cannot be read says so and is never filtered away."""
    from drivecare.job.folder import all_jobs
    from drivecare.job.model import JobList
    from drivecare.job.timeline import summarise_job
    from drivecare.reading.identity import normalise_serial

    def wanted(line: JobLine) -> bool:
        return line.error is not None or (
            state in (None, line.state)
            and (gate is None or line.gate_open is (gate == "open"))
            and verdict in (None, line.verdict)
            and host in (None, line.host)
            and (serial is None or normalise_serial(serial) in {normalise_serial(one) for one in line.serials})
        )

    found = JobList(jobs=tuple(line for line in map(summarise_job, all_jobs(jobs)) if wanted(line)))
    finish(found, show=lambda out: _show_list(out, found, jobs), as_json=as_json)


@job.command(
    short_help="Write one archive with a manifest.",
    epilog="\b\nExample: drivecare job export 1042 --output 1042.tar.gz",
)
@job_argument
@click.option("--output", type=PATH, help="[default: ID.tar.gz here]")
@click.option("--with-images", is_flag=True, help="Put copies of the customer's data in as well.")
@overwrite_option
@jobs_option
@json_option
def export(
    id: str, output: Path | None, with_images: bool, overwritable: tuple[str, ...], jobs: Path, as_json: bool
) -> None:
    """Write one archive of a job with a manifest that `sha256sum -c` checks.

    Copies of the customer's data stay out, wherever in the folder they lie; each is named.
    """
    from drivecare.job.export import ARCHIVE_MANIFEST
    from drivecare.job.export import export_job as write
    from drivecare.job.model import Export

    folder = job_folder(id, jobs)
    output = output or Path(f"{folder.id}.tar.gz")
    files, left_out = write(folder, output, images=with_images, replace=may_replace(output, overwritable))
    made = Export(job=folder.id, path=str(output), files=files, with_images=with_images, left_out=left_out)

    def show(out: Screen) -> None:
        out.print(f"{output}: {len(files)} files and {ARCHIVE_MANIFEST}", soft_wrap=True)
        for left in left_out:
            out.print(f"  left out: {left.file} ({left.reason})", soft_wrap=True)

    finish(made, show=show, as_json=as_json)


@job.command(
    short_help="Record how it ended; remove customer images.",
    epilog="\b\nExample: drivecare job close 1042 --started --old-drive returned --forget",
)
@job_argument
@click.option("--started/--not-started", default=None, required=True, help="Whether the unit started afterwards.")
@click.option("--old-drive", type=click.Choice(["returned", "kept", "destroyed"]), required=True)
@click.option("--image", "images", nargs=2, multiple=True, metavar="PATH FATE", help="A copy was kept or handed-over.")
@click.option("--forget", is_flag=True, help="Show the copies this job made, images and bags, and remove them first.")
@click.option("--anyway", metavar="REASON", help="Close although the gate is shut.")
@click.option("--note", help="Words to go with it.")
@jobs_option
@json_option
@click.pass_context
def close(
    ctx: click.Context,
    id: str,
    started: bool,
    old_drive: str,
    images: tuple[tuple[str, str], ...],
    forget: bool,
    anyway: str | None,
    note: str | None,
    jobs: Path,
    as_json: bool,
) -> None:
    """Record how a job ended: the unit, the old drive, and every copy of the customer's data.

    --forget removes the images and bags that this job made, after it showed each and you typed the job's ID; what lies
    there by now and is not what the job made stays. Removing frees the space and does not overwrite it: sanitise a
    medium that held customers' data before it leaves the shop (NIST SP 800-88).
    """
    from drivecare.clock import WallClock
    from drivecare.job import closing
    from drivecare.job.job_state import load_job_state
    from drivecare.job.model import OldDrive

    folder = job_folder(id, jobs)
    case = load_job_state(folder, jobs=named_jobs(ctx))
    files = machine(ctx).files()
    fates = closing.parse_fates(images)
    closing.check_closing(case, files, anyway=anyway, forget=forget, fates=fates)
    doomed = closing.removable_copies(case, fates) if forget else ()
    if doomed:
        _confirm_forgetting(id, doomed)
    for copy in doomed:
        for name in closing.remove_copy(copy, files):
            notify(f"left in {copy.path}, since it is not of the bag: {name}")
    made = closing.make_closing(
        case,
        unit_started=started,
        old_drive=next(fate for fate in get_args(OldDrive) if fate == old_drive),
        fates=fates,
        removed=tuple(copy.path for copy in doomed),
        anyway=anyway,
        note=note,
        at=WallClock().timestamp(),
        by=who(),
    )

    def show(out: Screen) -> None:
        out.print(f"Job {id} closed. Old drive {old_drive}.", soft_wrap=True)
        for image in made.images:
            out.print(f"  {image.fate}: {image.path}", soft_wrap=True)

    file_result(folder, made)
    finish(made, show=show, as_json=as_json)


def _confirm_forgetting(id: str, doomed: tuple[CustomerCopy, ...]) -> None:
    notify("These copies of the customer's data will be removed for good:")
    for copy in doomed:
        notify(f"  {copy.path}   {copy.kind}, {copy.contents}")
    if ask("Type the job's ID to remove them") != id:
        from drivecare.errors import Refused

        raise Refused("nothing was removed: what was typed is not the job's ID", guard="forget-unconfirmed")


def _show_advice(out: Screen, advice: tuple[Advice, ...]) -> None:
    from drivecare.cli.layout import wrapped

    for one in advice:
        drive = "the drive is a likely cause" if one.drive_likely else "the drive is not the likely cause"
        wrapped(out, f"{one.symptom}: {one.cause} ({drive})", first="  ", rest=4)
        for first in one.first:
            wrapped(out, f"check first: {first}", first="    ", rest=6)


def _show_facts(out: Screen, facts: list[Fact]) -> None:
    from drivecare.cli.layout import wrapped
    from drivecare.job.attestations import FACTS

    for fact in facts:
        about = f" {fact.about}" if fact.about else ""
        wrapped(out, f"Recorded {fact.fact}{about}, by {fact.by}: {FACTS[fact.fact].says}", rest=2)


def _show_job(out: Screen, told: JobTimeline) -> None:
    from drivecare.cli.layout import table, wrapped
    from drivecare.job.times import said

    gate = "open" if told.gate_open else "shut"
    wrapped(out, f"Job {told.id}   {told.state}, gate {gate}, route {told.route}", style="bold")
    wrapped(out, f"{told.host_name or told.host}, labelled {told.label}")
    wrapped(out, f"Complaint: {told.complaint}", rest=2)
    _show_advice(out, told.advice)
    out.print()
    rows = [(f"{line.number:04}", said(line.filed_at), line.kind, line.says) for line in told.story]
    table(out, [("", "when", "what", "says"), *rows], heading=True)
    if told.faults:
        out.print_lines(("", "Not as it was filed:"))
        for fault in told.faults:
            wrapped(out, fault, first="  ", rest=4)
        wrapped(out, "What lies in an export or a backup of the job can be put back under its own name.")
    if told.next:
        out.print()
        wrapped(out, f"Next: {told.why}")
        out.print(f"  {told.next}", soft_wrap=True)
    out.print_lines(("", f"Everything lies in {told.folder}"))


def _show_list(out: Screen, found: JobList, jobs: Path) -> None:
    from drivecare.cli.layout import table, wrapped
    from drivecare.job.times import said

    if not found.jobs:
        out.print(f"No job to list in {jobs}. To open one: drivecare job new --help", soft_wrap=True)
        return
    rows = [("job", "opened", "state", "gate", "verdict", "unit", "drives")]
    for line in found.jobs:
        if line.error is None:
            gate = "open" if line.gate_open else "shut"
            told = (said(line.opened_at)[:-6], line.state or "-", gate, line.verdict or "-", line.host or "-")
            rows.append((line.id, *told, "\n".join(line.serials) or "-"))
    if len(rows) > 1:
        table(out, rows, heading=True)
    for line in found.jobs:
        if line.error is not None:
            wrapped(out, f"{line.id} cannot be read: {line.error}", rest=2)
