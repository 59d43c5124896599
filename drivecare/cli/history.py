"""`drivecare history`: a drive through all jobs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import all_jobs, finish, jobs_option, json_option, page_asked, page_option
from drivecare.cli.terminal import notify
from drivecare.clock import format_time
from drivecare.format import format_count, format_value

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.overview import History, PastReading
    from drivecare.record.location import Place


@click.command(
    cls=HouseCommand,
    examples=["drivecare history KX25-00417", "drivecare history KD-500"],
)
@click.argument("name", metavar="SERIAL|WWN|MODEL")
@page_option
@jobs_option
@json_option
def history(name: str, page: int | None, jobs: Place, as_json: bool) -> None:
    """Show every reading of a drive across jobs, and what changed between them.

    By its serial number, its worldwide name, or its model or a word of that, which several drives may have.
    """
    from drivecare.work.drive_history import drive_history

    past = drive_history(name, all_jobs(jobs), page=page_asked(page, as_json=as_json))
    for reason in past.unread:
        notify(f"not read: {reason}")
    finish(past, show=lambda out: show_history(out, past), as_json=as_json)


def show_history(out: Screen, past: History) -> None:
    """Each drive with its readings, each of these in a line, and below it what changed since the one before."""
    from drivecare.cli.job_screen import name_filers, show_page

    filers = name_filers(past.readings)
    drives: dict[tuple[str | None, str | None], list[int]] = {}
    for place, reading in enumerate(past.readings):
        drives.setdefault((reading.model, reading.serial), []).append(place)
    for number, ((model, serial), places) in enumerate(drives.items()):
        if number:
            out.print()
        readings = format_count(len(places), "reading")
        out.print(f"{model or 'Drive'}   serial {serial or 'not known'}   {readings}", soft_wrap=True)
        out.print()
        for place in places:
            _show_reading(out, past.readings[place], filers[place])
    show_page(out, past)


def _show_reading(out: Screen, reading: PastReading, filer: str) -> None:
    hours = f", {reading.power_on_hours:,} hours" if reading.power_on_hours is not None else ""
    words = f"{format_time(reading.read_at)}   job {reading.job}   {reading.verdict or 'not judged'}{hours}"
    out.print(f"{words}   {filer}".rstrip(), soft_wrap=True)
    for change in reading.changes:
        value, before, now = change.value.replace("_", " "), format_value(change.before), format_value(change.now)
        out.print(f"    {value}: {before} -> {now}", soft_wrap=True)
