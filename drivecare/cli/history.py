"""`drivecare history`: one drive through all jobs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, jobs_option, json_option
from drivecare.cli.terminal import notify

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.model import History


@click.command(epilog="\b\nExample: drivecare history KX25-00417")
@click.argument("serial")
@jobs_option
@json_option
def history(serial: str, jobs: Path, as_json: bool) -> None:
    """Tell every reading of a drive across jobs, and what changed between them."""
    from drivecare.job.folder import all_jobs
    from drivecare.job.history import collect_history as gather

    told = gather(serial, all_jobs(jobs))
    for reason in told.unread:
        notify(f"not read: {reason}")
    finish(told, show=lambda out: _show(out, told), as_json=as_json)


def _show(out: Screen, told: History) -> None:
    from drivecare.format import format_count, format_value
    from drivecare.job.times import said

    out.print(
        f"{told.model or 'Drive'}   serial {told.serial}   {format_count(len(told.readings), 'reading')}",
        soft_wrap=True,
    )
    out.print()
    for seen in told.readings:
        hours = f", {seen.power_on_hours:,} hours" if seen.power_on_hours is not None else ""
        out.print(f"{said(seen.read_at)}   job {seen.job}   {seen.verdict or 'not judged'}{hours}", soft_wrap=True)
        for change in seen.changes:
            out.print(
                f"    {change.value.replace('_', ' ')}: {format_value(change.before)} -> {format_value(change.now)}",
                soft_wrap=True,
            )
