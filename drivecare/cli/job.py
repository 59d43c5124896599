"""`drivecare job`: open a job, record what only a person knows, show and export it."""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.close import close
from drivecare.cli.command import HouseGroup
from drivecare.cli.common import (
    PATH,
    account_name,
    all_jobs,
    finish,
    full_option,
    job_argument,
    job_state,
    jobs_option,
    json_option,
    leading_job,
    machine,
    named_job,
    named_jobs,
    page_asked,
    page_option,
    since_option,
)
from drivecare.cli.completion import host_ids, jobs_and_facts, symptom_ids
from drivecare.cli.job_screen import show_export, show_facts, show_jobs, show_opening, show_timeline
from drivecare.cli.label import label
from drivecare.cli.overwriting import may_replace, overwrite_option
from drivecare.cli.taking_back import COMMANDS
from drivecare.cli.terminal import notify
from drivecare.shell import JOB_VARIABLE

if TYPE_CHECKING:
    from drivecare.record.location import Place

WAITS_FOR = ("customer", "part", "copy", "bench")
VERDICTS = ("refit", "recheck", "replace", "evacuate", "unproven")


@click.group(cls=HouseGroup, examples=['drivecare job new 1042 --host CH-2103 --complaint "hangs at start"'])
def job() -> None:
    """One folder per job: every result is a dated file in it, and nothing is overwritten.

    No customer's name is asked for or needed: the job's number on the claim ticket is enough.
    """


@job.command(
    short_help="Open a job; get the advice for its symptoms.",
    examples=['drivecare job new 1042 --host CH-2103 --complaint "hangs at start" --symptom storage-error'],
)
@click.argument("id")
@click.option(
    "--host",
    "label",
    metavar="LABEL",
    required=True,
    help="What the unit's label says, or a profile's ID.",
    shell_complete=host_ids,
)
@click.option("--complaint", required=True, help="What the customer says is wrong, in their words.")
@click.option(
    "--symptom",
    "symptoms",
    multiple=True,
    help="What you see yourself, by name or in words; repeatable.",
    shell_complete=symptom_ids,
)
@click.option("--reference", metavar="WORD", help="A word of your own to find it by; never a customer's name.")
@click.option(
    "--tag",
    "tags",
    metavar="WORD",
    multiple=True,
    help="A word that jobs of one customer share; never a name; repeatable.",
)
@jobs_option
@json_option
@click.pass_context
def new(
    ctx: click.Context,
    id: str,
    label: str,
    complaint: str,
    symptoms: tuple[str, ...],
    reference: str | None,
    tags: tuple[str, ...],
    jobs: Place,
    as_json: bool,
) -> None:
    """Open a job and show what the unit's profile advises for its symptoms."""
    from drivecare.cli.shop_profiles import known_hosts
    from drivecare.cli.this_terminal import remember_job
    from drivecare.work.open_job import open_new_job

    folder, opening = open_new_job(
        id,
        label=label,
        complaint=complaint,
        symptoms=symptoms,
        reference=reference,
        tags=tags,
        hosts=known_hosts(),
        at=machine(ctx).clock.timestamp(),
        by=account_name(),
        record=all_jobs(jobs),
    )
    remember_job(id, named_jobs(ctx))
    finish(opening, show=lambda out: show_opening(out, opening, folder.place), as_json=as_json, after=folder)


@job.command(
    short_help="Record what only a person can know.",
    examples=['drivecare job record 1042 consent --note "form signed"'],
)
@click.argument("words", nargs=-1, required=True, metavar="[ID] FACT [VALUE]...", shell_complete=jobs_and_facts)
@click.option("--note", help="Your remarks: who signed, what was done, what was said.")
@jobs_option
@json_option
@click.pass_context
def record(ctx: click.Context, words: tuple[str, ...], note: str | None, jobs: Place, as_json: bool) -> None:
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
    way-out                 what was done (--note) to clear up a recheck; the
                            customer reads it
    unreadable OFFSET...    the customer knows that this area could not be read
    unread OFFSET...        the customer knows that this area was not read
    copy-size               the customer knows that the drive, by its size, was
                            not copied in full
    source-changed          the customer knows that the source was written to
                            while it was copied
    all-zero                read on another dock too: nothing is on the drive,
                            and the customer knows
    left-out                the customer knows which files could not be copied
    names-agreed            the customer agreed that the sheet names the files
                            that were damaged; without it kinds are counted
    bag-drives              the bag's folders are on the old and the new drive
    unchanged               nothing was written to the new drive since verified
    detached                power is off, old and new drive are apart
    no-data                 the customer agreed that nothing is carried over
    server-away             why (--note) the gate may be judged although the
                            record's server is away
    chain-mended            why (--note) results that an interruption left
                            out of the chain are the job's
    note                    anything (--note) for the shop's half of the sheet
    customer-note           anything (--note) about the customer: kept apart, on
                            no sheet, erased by drivecare job close --forget
    came-back CAUSE         of a closed job: the unit is here again, since its
                            drive failed (drive-failed), another part did
                            (other-cause), or for a cause not-known; counted
                            by drivecare shop report, on no sheet
    """
    from drivecare.work.record_facts import record_facts

    id, fact, about = _split_words(words)
    folder = leading_job(ctx, id, jobs)
    facts, at = [], machine(ctx).clock.timestamp()
    for document, path in record_facts(folder, fact, about, note=note, at=at, by=account_name()):
        notify(folder.describe_filing(path))
        facts.append(document)
    finish(facts[-1], show=lambda out: show_facts(out, facts), as_json=as_json, after=folder)


def _split_words(words: tuple[str, ...]) -> tuple[str | None, str, tuple[str, ...]]:
    """Tell the job, the fact and its values apart. The first word is the job, unless it is a fact and no fact follows.

    Without a job on the line, $DRIVECARE_JOB names it.
    """
    from drivecare.job.attestations import FACTS

    if words[0] in FACTS and not (len(words) > 1 and words[1] in FACTS):
        return os.environ.get(JOB_VARIABLE) or None, words[0], words[1:]
    if len(words) == 1:
        raise click.UsageError(f"What is to be recorded? One of: {', '.join(FACTS)}.")
    return words[0], words[1], words[2:]


@job.command(short_help="Show what was filed and the next step.", examples=["drivecare job show 1042"])
@job_argument
@full_option
@jobs_option
@json_option
@click.pass_context
def show(ctx: click.Context, id: str | None, full: bool, jobs: Place, as_json: bool) -> None:
    """Show what is filed in a job, in order, and the next step."""
    from drivecare.job.customer_notes import notes_kept
    from drivecare.job.losses import areas_lost
    from drivecare.job.next_step import find_next_step
    from drivecare.job.timeline import build_timeline

    folder = leading_job(ctx, id, jobs)
    state = job_state(ctx, folder)
    timeline, step = build_timeline(state), find_next_step(state)
    lost = areas_lost(state, names=True)
    notes = {note.fact.number: note.words for note in notes_kept(state.contents)}
    finish(
        timeline,
        show=lambda out: show_timeline(out, timeline, step, lost, notes, place=folder.place, full=full),
        as_json=as_json,
    )


@job.command(
    "list",
    short_help="List the jobs, with filters.",
    examples=["drivecare job list --state open --verdict evacuate"],
)
@click.option("--state", type=click.Choice(["open", "closed"]), help="Only jobs in this state.")
@click.option("--gate", type=click.Choice(["open", "shut"]), help="Only jobs whose gate is open or shut.")
@click.option("--verdict", type=click.Choice(VERDICTS), help="Only jobs whose old drive got this verdict.")
@click.option("--host", metavar="ID", help="Only jobs for this unit, by its profile's ID.", shell_complete=host_ids)
@click.option("--serial", metavar="SERIAL", help="Only jobs that read this drive.")
@click.option("--waits-for", type=click.Choice(WAITS_FOR), help="Only jobs that wait for them.")
@click.option("--reference", metavar="WORD", help="Only jobs whose reference contains this.")
@click.option("--tag", metavar="WORD", help="Only jobs with this tag.")
@click.option("--bench", metavar="NAME", help="Only jobs whose newest result was filed at this bench.")
@since_option
@page_option
@full_option
@jobs_option
@json_option
@click.pass_context
def list_jobs(
    ctx: click.Context,
    state: str | None,
    gate: str | None,
    verdict: str | None,
    host: str | None,
    serial: str | None,
    waits_for: str | None,
    reference: str | None,
    tag: str | None,
    bench: str | None,
    since: datetime | None,
    page: int | None,
    full: bool,
    jobs: Place,
    as_json: bool,
) -> None:
    """List the jobs, oldest first: their state, age and drive's verdict, and whom they wait for.

    A job that cannot be read says so and is never filtered away.
    """
    from drivecare.job.timeline import JobFilter

    job_filter = JobFilter(
        state=state,
        gate=gate,
        verdict=verdict,
        host=host,
        serial=serial,
        waits_for=waits_for,
        reference=reference,
        tag=tag,
        bench=bench,
        since=since,
    )
    listed = all_jobs(jobs).list_jobs(job_filter, page=page_asked(page, as_json=as_json))
    now = machine(ctx).clock.now()
    finish(listed, show=lambda out: show_jobs(out, listed, jobs, now=now, full=full), as_json=as_json)


@job.command(
    short_help="Write one archive with a manifest.",
    examples=["drivecare job export 1042 --output 1042.tar.gz"],
)
@job_argument
@click.option("--output", metavar="FILE", type=PATH, help="Write the archive to this file. [default: ID.tar.gz here]")
@click.option("--with-images", is_flag=True, help="Include the copies of the customer's data.")
@click.option("--with-names", is_flag=True, help="Include names of files that a copy lost, and customer notes.")
@overwrite_option
@jobs_option
@json_option
@click.pass_context
def export(
    ctx: click.Context,
    id: str | None,
    output: Path | None,
    with_images: bool,
    with_names: bool,
    overwritable: tuple[str, ...],
    jobs: Place,
    as_json: bool,
) -> None:
    """Write one archive of a job with a manifest that `sha256sum -c` checks.

    Copies of the customer's data are left out, wherever in the folder they are, and so are the names of the
    customer's files and notes about the customer; each is named.
    """
    from drivecare.job.export import export_job

    folder = named_job(ctx, id, jobs)
    output = output or Path(f"{folder.id}.tar.gz")
    archive = export_job(
        folder.read(), output, images=with_images, names=with_names, replace=may_replace(output, overwritable)
    )
    finish(archive, show=lambda out: show_export(out, archive), as_json=as_json)


for command in (close, label, *COMMANDS):
    job.add_command(command)
