"""`drivecare history`: one drive through all jobs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import all_jobs, finish, jobs_option, json_option
from drivecare.cli.terminal import notify

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.overview import History
    from drivecare.record.location import Place


@click.command(
    cls=HouseCommand,
    examples=["drivecare history KX25-00417"],
)
@click.argument("serial")
@jobs_option
@json_option
def history(serial: str, jobs: Place, as_json: bool) -> None:
    """Show every reading of a drive across jobs, and what changed between them."""
    from drivecare.work.drive_history import drive_history

    past = drive_history(serial, all_jobs(jobs))
    for reason in past.unread:
        notify(f"not read: {reason}")
    finish(past, show=lambda out: show_history(out, past), as_json=as_json)


def show_history(out: Screen, past: History) -> None:
    """Each reading in a line, and below it what changed since the one before."""
    from drivecare.clock import format_time
    from drivecare.format import format_count, format_value

    readings = format_count(len(past.readings), "reading")
    out.print(f"{past.model or 'Drive'}   serial {past.serial}   {readings}", soft_wrap=True)
    out.print()
    for reading in past.readings:
        hours = f", {reading.power_on_hours:,} hours" if reading.power_on_hours is not None else ""
        verdict = reading.verdict or "not judged"
        out.print(f"{format_time(reading.read_at)}   job {reading.job}   {verdict}{hours}", soft_wrap=True)
        for change in reading.changes:
            name, before, now = change.value.replace("_", " "), format_value(change.before), format_value(change.now)
            out.print(f"    {name}: {before} -> {now}", soft_wrap=True)
