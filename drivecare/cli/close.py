"""`drivecare job close`: how a job ended, asked at the terminal where the line does not say it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, cast

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import (
    account_name,
    file_result,
    finish,
    job_argument,
    job_state,
    jobs_option,
    json_option,
    machine,
    named_job,
)
from drivecare.cli.job_screen import show_closing
from drivecare.cli.terminal import ask, ask_choice, can_ask, notify

if TYPE_CHECKING:
    from drivecare.job.copies import CustomerCopy
    from drivecare.job.model import ImageFate, OldDriveFate
    from drivecare.record.location import Place

UNIT_STARTS = "Does the unit start now? Type yes or no"
OLD_DRIVE = "What became of the old drive? Type returned, kept or destroyed"
COPY_FATE = "What becomes of it? Type kept, handed-over or removed"
_FATES = ("returned", "kept", "destroyed")
_COPY_FATES = ("kept", "handed-over", "removed")


@click.command(
    cls=HouseCommand,
    short_help="Record how it ended; remove customer images.",
    examples=["drivecare job close 1042 --started --old-drive returned --forget"],
)
@job_argument
@click.option("--started/--not-started", default=None, help="Whether the unit started afterwards. [default: asked]")
@click.option("--old-drive", type=click.Choice(_FATES), help="What became of the old drive. [default: asked]")
@click.option(
    "--image",
    "images",
    nargs=2,
    multiple=True,
    metavar="FILE FATE",
    help="What became of a copy: kept or handed-over. [default: asked]",
)
@click.option("--forget", is_flag=True, help="First show the copies this job made and remove them.")
@click.option("--anyway", metavar="REASON", help="Close even though the gate is shut, for this reason.")
@click.option("--note", help="Your remarks.")
@jobs_option
@json_option
@click.pass_context
def close(
    ctx: click.Context,
    id: str | None,
    started: bool | None,
    old_drive: OldDriveFate | None,
    images: tuple[tuple[str, str], ...],
    forget: bool,
    anyway: str | None,
    note: str | None,
    jobs: Place,
    as_json: bool,
) -> None:
    """Record how a job ended: the unit, the old drive, and every copy of the customer's data.

    --forget lists the images, bags and names of files that this job made, and the notes about the customer, and removes
    them once you have typed the job's ID; anything in their place that the job did not make is kept. Removing frees the
    space but does not overwrite it: sanitise a medium that held customers' data before it leaves the shop (NIST SP
    800-88).
    """
    from drivecare.job.closing import parse_fates
    from drivecare.work.close_job import close_job

    if (started is None or old_drive is None) and not can_ask():
        raise click.UsageError(
            f"How did it end? Give --started or --not-started, and --old-drive: {', '.join(_FATES)}.", ctx=ctx
        )
    folder = named_job(ctx, id, jobs)
    closing = close_job(
        job_state(ctx, folder),
        machine(ctx),
        ended=lambda: _ask_how_it_ended(started, old_drive),
        fate_of=_ask_fate,
        fates=parse_fates(images),
        forget=forget,
        anyway=anyway,
        note=note,
        by=account_name(),
        confirm=lambda copies: _confirm_forgetting(folder.id, copies),
        notify=notify,
    )
    file_result(folder, closing)
    finish(closing, show=lambda out: show_closing(out, folder.id, closing), as_json=as_json)


def _ask_how_it_ended(started: bool | None, old_drive: OldDriveFate | None) -> tuple[bool, OldDriveFate]:
    """Ask for what the line does not say: a person's to say, so nothing is taken for granted."""
    if started is None:
        started = ask_choice(UNIT_STARTS, ("yes", "no")) == "yes"
    return started, old_drive or cast("OldDriveFate", ask_choice(OLD_DRIVE, _FATES))


def _ask_fate(copy: CustomerCopy) -> ImageFate:
    """Ask what becomes of a copy of the customer's data, which nobody may just forget on the shop's disk."""
    from drivecare.job.closing import fate_unsaid

    if not can_ask():
        raise fate_unsaid(copy)
    notify(f"{copy.path} holds the customer's data ({copy.noun}, {copy.contents}).")
    return cast("ImageFate", ask_choice(COPY_FATE, _COPY_FATES))


def _confirm_forgetting(id: str, copies: Sequence[CustomerCopy]) -> None:
    from drivecare.errors import Refused
    from drivecare.job.copies import name_copy

    notify("These copies of the customer's data will be removed for good:")
    for copy in copies:
        notify(f"  {name_copy(copy.path, copy.kind)}   {copy.noun}, {copy.contents}")
    if ask("Type the job's ID to remove them") != id:
        raise Refused("nothing was removed: what was typed is not the job's ID", guard="forget-unconfirmed")
