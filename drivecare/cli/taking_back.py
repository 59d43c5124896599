"""`drivecare job withdraw`, `move`, `change` and `reopen`: a mistake is taken back by a new entry, never by an edit."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import click
from msgspec.structs import asdict

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import (
    account_name,
    finish,
    job_argument,
    job_folder,
    jobs_option,
    json_option,
    machine,
    named_job,
)
from drivecare.cli.completion import host_ids, job_ids
from drivecare.cli.terminal import notify
from drivecare.shell import JOB_VARIABLE

if TYPE_CHECKING:
    from drivecare.record.location import Place
    from drivecare.work.take_back import Author

why_option = click.option("--note", metavar="WHY", required=True, help="Why; shown wherever the result was.")


def _author(ctx: click.Context, note: str) -> Author:
    from drivecare.work.take_back import Author

    return Author(note=note, at=machine(ctx).clock.timestamp(), by=account_name())


def _split_words(words: tuple[str, ...], count: int) -> tuple[str, ...]:
    """The job and `count` further words; without a job on the line, $DRIVECARE_JOB names it."""
    job = os.environ.get(JOB_VARIABLE)
    if job and len(words) == count:
        words = (job, *words)
    if len(words) != count + 1:
        raise click.UsageError(f"Which job? Name its ID, or set {JOB_VARIABLE}; then the number of the result.")
    return words


def _parse_number(word: str) -> int:
    if not word.isascii() or not word.isdigit() or not int(word):
        raise click.UsageError(f"{word!r} is not the number of a result: the first part of its file's name.")
    return int(word)


@click.command(
    cls=HouseCommand,
    short_help="Say that a result does not count.",
    examples=['drivecare job withdraw 1042 7 --note "read the wrong drive"'],
)
@click.argument("words", nargs=-1, metavar="[ID] NUMBER")
@why_option
@jobs_option
@json_option
@click.pass_context
def withdraw(ctx: click.Context, words: tuple[str, ...], note: str, jobs: Place, as_json: bool) -> None:
    """Say that the result with this NUMBER, the first part of its file's name, does not count.

    A reading goes with its assessment. The files stay; gate, sheet and history leave them out. To undo it, withdraw
    the withdrawal by its own number.
    """
    from drivecare.job.timeline import withdrawal_sentence
    from drivecare.work.take_back import withdraw as take_back

    id, number = _split_words(words, 1)
    folder = job_folder(id, jobs)
    withdrawal, path = take_back(folder, _parse_number(number), _author(ctx, note))
    notify(folder.describe_filing(path))
    says = f"Job {id}: {withdrawal_sentence(asdict(withdrawal))}"
    finish(withdrawal, show=lambda out: out.print_wrapped(says, indent=2), as_json=as_json, after=folder)


@click.command(
    cls=HouseCommand,
    short_help="Move a result to the job it belongs to.",
    examples=['drivecare job move 1042 7 1043 --note "typed the wrong job"'],
)
@click.argument("words", nargs=-1, metavar="[ID] NUMBER TO", shell_complete=job_ids)
@why_option
@jobs_option
@json_option
@click.pass_context
def move(ctx: click.Context, words: tuple[str, ...], note: str, jobs: Place, as_json: bool) -> None:
    """Move the result with this NUMBER from job ID to job TO.

    It is filed there byte for byte and withdrawn here; a reading goes with its assessment. Images of a copy stay where
    they are and belong to job TO from then on.
    """
    from drivecare.job.timeline import withdrawal_sentence
    from drivecare.work.take_back import move as move_results

    id, number, to = _split_words(words, 2)
    target = job_folder(to, jobs)
    withdrawal, paths = move_results(job_folder(id, jobs), _parse_number(number), target, _author(ctx, note))
    for path in paths:
        notify(target.describe_filing(path))
    says = f"Job {id}: {withdrawal_sentence(asdict(withdrawal))}"
    finish(withdrawal, show=lambda out: out.print_wrapped(says, indent=2), as_json=as_json, after=target)


@click.command(
    cls=HouseCommand,
    short_help="Correct what a job was opened with.",
    examples=["drivecare job change 1042 --host CH-2104"],
)
@job_argument
@click.option(
    "--host", "label", metavar="LABEL", help="What the unit's label says, or a profile's ID.", shell_complete=host_ids
)
@click.option("--complaint", help="What the customer says is wrong, in their words.")
@click.option("--reference", metavar="WORD", help="A word of your own to find it by; never a customer's name.")
@click.option(
    "--tag", "tags", metavar="WORD", multiple=True, help='A tag in place of those it has; repeatable, "" for none.'
)
@click.option("--note", metavar="WHY", help="Why.")
@jobs_option
@json_option
@click.pass_context
def change(
    ctx: click.Context,
    id: str | None,
    label: str | None,
    complaint: str | None,
    reference: str | None,
    tags: tuple[str, ...],
    note: str | None,
    jobs: Place,
    as_json: bool,
) -> None:
    """Correct the unit, the complaint, the reference or the tags of a job. What it was opened with stays on file."""
    if label is None and complaint is None and reference is None and not tags:
        raise click.UsageError("Give what is to be corrected: --host, --complaint, --reference or --tag.")
    from drivecare.cli.shop_profiles import known_hosts
    from drivecare.job.timeline import change_sentence
    from drivecare.work.take_back import change_opening

    folder = named_job(ctx, id, jobs)
    correction, path = change_opening(
        folder,
        label=label,
        complaint=complaint,
        reference=reference,
        tags=tags,
        hosts=known_hosts(),
        note=note,
        at=machine(ctx).clock.timestamp(),
        by=account_name(),
    )
    notify(folder.describe_filing(path))
    says = f"Job {folder.id} {change_sentence(asdict(correction))}"
    finish(correction, show=lambda out: out.print_wrapped(says, indent=2), as_json=as_json, after=folder)


@click.command(
    cls=HouseCommand,
    short_help="Open a closed job again.",
    examples=['drivecare job reopen 1042 --note "the unit came back"'],
)
@job_argument
@why_option
@jobs_option
@json_option
@click.pass_context
def reopen(ctx: click.Context, id: str | None, note: str, jobs: Place, as_json: bool) -> None:
    """Open a closed job again, so that it takes new results. How it was closed stays on file."""
    from drivecare.job.timeline import withdrawal_sentence

    author = _author(ctx, note)
    folder = named_job(ctx, id, jobs)
    withdrawal, path = folder.reopen(note=note, at=author.at, by=author.by)
    notify(folder.describe_filing(path))
    says = f"Job {folder.id} is {withdrawal_sentence(asdict(withdrawal))}"
    finish(withdrawal, show=lambda out: out.print_wrapped(says, indent=2), as_json=as_json, after=folder)


COMMANDS = (withdraw, move, change, reopen)
