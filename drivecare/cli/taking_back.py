"""`drivecare job withdraw`, `move`, `change` and `reopen`: a mistake is taken back by a new entry, never by an edit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from msgspec.structs import asdict

from drivecare.cli.common import (
    account_name,
    finish,
    job_argument,
    job_folder,
    jobs_option,
    json_option,
    machine,
    named_jobs,
)
from drivecare.cli.job_screen import show_correction
from drivecare.cli.terminal import notify

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivecare.cli.screen import Screen
    from drivecare.work.take_back import Author

number_argument = click.argument("number", type=click.IntRange(min=1))
why_option = click.option("--note", metavar="WHY", required=True, help="Why; shown wherever the result was.")


def _author(ctx: click.Context, note: str) -> Author:
    from drivecare.work.take_back import Author

    return Author(note=note, at=machine(ctx).clock.timestamp(), by=account_name())


def _screen(ctx: click.Context, says: str, *, next_job: str) -> Callable[[Screen], None]:
    """What was taken back, and the command that shows how the job that it concerns stands now."""
    from drivecare.job.job_state import load_job_state

    state = load_job_state(job_folder(next_job, ctx.params["jobs"]).read(), jobs=named_jobs(ctx), digests=False)
    return lambda out: show_correction(out, says, state.show_command)


@click.command(
    short_help="Say that a result does not count.",
    epilog='\b\nExample: drivecare job withdraw 1042 7 --note "read the wrong drive"',
)
@job_argument
@number_argument
@why_option
@jobs_option
@json_option
@click.pass_context
def withdraw(ctx: click.Context, id: str, number: int, note: str, jobs: Path, as_json: bool) -> None:
    """Say that the result with this NUMBER, the first part of its file's name, does not count.

    A reading goes with its assessment. The files stay; gate, sheet and history leave them out. To undo it, withdraw
    the withdrawal by its own number.
    """
    from drivecare.job.timeline import withdrawal_sentence
    from drivecare.work.take_back import withdraw as take_back

    withdrawal, path = take_back(job_folder(id, jobs), number, _author(ctx, note))
    notify(f"filed as {path}")
    screen = _screen(ctx, f"Job {id}: {withdrawal_sentence(asdict(withdrawal))}", next_job=id)
    finish(withdrawal, show=screen, as_json=as_json)


@click.command(
    short_help="Move a result to the job it belongs to.",
    epilog='\b\nExample: drivecare job move 1042 7 1043 --note "typed the wrong job"',
)
@job_argument
@number_argument
@click.argument("to")
@why_option
@jobs_option
@json_option
@click.pass_context
def move(ctx: click.Context, id: str, number: int, to: str, note: str, jobs: Path, as_json: bool) -> None:
    """Move the result with this NUMBER from job ID to job TO.

    It is filed there byte for byte and withdrawn here; a reading goes with its assessment. Images of a copy stay where
    they are and belong to job TO from then on.
    """
    from drivecare.job.timeline import withdrawal_sentence
    from drivecare.work.take_back import move as move_results

    withdrawal, paths = move_results(job_folder(id, jobs), number, job_folder(to, jobs), _author(ctx, note))
    for path in paths:
        notify(f"filed as {path}")
    screen = _screen(ctx, f"Job {id}: {withdrawal_sentence(asdict(withdrawal))}", next_job=to)
    finish(withdrawal, show=screen, as_json=as_json)


@click.command(
    short_help="Correct what a job was opened with.",
    epilog="\b\nExample: drivecare job change 1042 --host CH-2104",
)
@job_argument
@click.option("--host", "label", metavar="LABEL", help="What the unit's label says, or a profile's ID.")
@click.option("--complaint", help="What the customer says is wrong, in their words.")
@click.option("--reference", help="A word of your own to find it by; never a customer's name.")
@click.option("--note", metavar="WHY", help="Why.")
@jobs_option
@json_option
@click.pass_context
def change(
    ctx: click.Context,
    id: str,
    label: str | None,
    complaint: str | None,
    reference: str | None,
    note: str | None,
    jobs: Path,
    as_json: bool,
) -> None:
    """Correct the unit, the complaint or the reference of a job. What it was opened with stays on file."""
    if label is None and complaint is None and reference is None:
        raise click.UsageError("Give what is to be corrected: --host, --complaint or --reference.")
    from drivecare.cli.hosts import known_hosts
    from drivecare.job.timeline import change_sentence
    from drivecare.work.take_back import change_opening

    correction, path = change_opening(
        job_folder(id, jobs),
        label=label,
        complaint=complaint,
        reference=reference,
        hosts=known_hosts(),
        note=note,
        at=machine(ctx).clock.timestamp(),
        by=account_name(),
    )
    notify(f"filed as {path}")
    screen = _screen(ctx, f"Job {id} {change_sentence(asdict(correction))}", next_job=id)
    finish(correction, show=screen, as_json=as_json)


@click.command(
    short_help="Open a closed job again.",
    epilog='\b\nExample: drivecare job reopen 1042 --note "the unit came back"',
)
@job_argument
@why_option
@jobs_option
@json_option
@click.pass_context
def reopen(ctx: click.Context, id: str, note: str, jobs: Path, as_json: bool) -> None:
    """Open a closed job again, so that it takes new results. How it was closed stays on file."""
    from drivecare.job.timeline import withdrawal_sentence

    author = _author(ctx, note)
    withdrawal, path = job_folder(id, jobs).reopen(note=note, at=author.at, by=author.by)
    notify(f"filed as {path}")
    screen = _screen(ctx, f"Job {id}: {withdrawal_sentence(asdict(withdrawal))}", next_job=id)
    finish(withdrawal, show=screen, as_json=as_json)


COMMANDS = (withdraw, move, change, reopen)
