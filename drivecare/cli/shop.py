"""`drivecare shop`: what all jobs of the shop came to."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseGroup
from drivecare.cli.common import all_jobs, finish, jobs_option, json_option, machine, since_option

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.job.overview import DrivesThatLeft, PrintedChance, Share, ShopReport
    from drivecare.record.location import Place

_MOST_JOBS = 8  # of those with losses; the document names them all
_KINDS = {"same-drive": "the same drive", "new-drive": "a new drive"}


@click.group(cls=HouseGroup, examples=["drivecare shop report --since 2026-01-01"])
def shop() -> None:
    """What all jobs of the shop came to, for the shop alone."""


@shop.command(
    short_help="Count verdicts, copies, days and what came back.",
    examples=["drivecare shop report --since 2026-01-01"],
)
@since_option
@jobs_option
@json_option
@click.pass_context
def report(ctx: click.Context, since: datetime | None, jobs: Place, as_json: bool) -> None:
    """Count verdicts, copies with losses, days from opening to closing, and which units came back.

    That a unit came back is recorded by `drivecare job record ID came-back CAUSE`. How many did stands beside the
    chance that was printed for their drives, with what each of them counts.
    """
    from drivecare.job.shop_report import report_shop
    from drivecare.job.timeline import JobFilter

    lines = all_jobs(jobs).list_jobs(JobFilter(since=since)).jobs
    document = report_shop(lines, since=since, now=machine(ctx).clock.now())
    finish(document, show=lambda out: show_report(out, document), as_json=as_json)


def show_report(out: Screen, report: ShopReport) -> None:
    """The counts, a line each; then what came back, and how that compares."""
    from drivecare.clock import format_day
    from drivecare.format import format_bytes, format_count, join_some

    opened = f" opened since {format_day(report.since)}" if report.since else ""
    out.print_wrapped(f"{format_count(report.jobs, 'job')}{opened}, {report.closed:,} closed", style="bold")
    rows = [("old drives", ", ".join(f"{verdict} {count:,}" for verdict, count in report.verdicts.items()) or "-")]
    copies = report.copies
    losses = f"{copies.with_losses:,} with losses"
    if copies.with_losses:
        losses += (
            f" ({format_bytes(copies.bytes_unreadable)} unreadable in all): job {join_some(copies.jobs, _MOST_JOBS)}"
        )
    rows.append(("copies", f"{copies.made:,} made, {losses}"))
    if report.days is not None:
        days = report.days
        spans = f"half within {days.median:.1f}, 9 in 10 within {days.nine_in_ten:.1f}, all within {days.longest:.1f}"
        rows.append(("days per job", f"{spans} ({format_count(days.jobs, 'job')})"))
    out.print_table(rows)
    _show_came_back(out, report)
    _show_comparison(out, report)
    for reason in report.unread:
        out.print_wrapped(f"not read: {reason}", indent=2)


def _show_came_back(out: Screen, report: ShopReport) -> None:
    out.print()
    if not report.came_back:
        out.print_wrapped("No unit was recorded as brought back: drivecare job record ID came-back CAUSE.")
        return
    rows = [
        (unit.job, f"{unit.days:,}", unit.cause.replace("-", " "), unit.drive or "not known")
        for unit in report.came_back
    ]
    out.print_table([("came back", "days after", "cause", "left with"), *rows], heading=True)


def _show_comparison(out: Screen, report: ShopReport) -> None:
    from drivecare.format import format_count

    out.print()
    if not report.watched:
        left = format_count(report.too_early, "unit")
        out.print_wrapped(f"No unit left more than 12 months ago, too early to compare ({left} left since).")
        return
    rows = [_comparison_row(drives) for drives in report.watched]
    out.print_table([("left with", "came back", "drive failed", "printed chance"), *rows], heading=True)
    for definition in report.definitions:
        out.print_wrapped(f"{definition.word}: {definition.means}", first="  ", indent=4)
    early = f"; {format_count(report.too_early, 'unit')} left later, too early to count" if report.too_early else ""
    out.print_wrapped(
        f"Units that left at least 12 months ago{early}. In brackets: where the share of many more would lie, 19 times"
        " in 20."
    )


def _comparison_row(drives: DrivesThatLeft) -> tuple[str, str, str, str]:
    return (
        _KINDS[drives.drive],
        _format_share(drives.came_back),
        _format_share(drives.drive_failed),
        _format_chance(drives.printed),
    )


def _format_share(share: Share) -> str:
    if share.low is None or share.high is None:
        return f"{share.count:,} of {share.among:,}"
    return f"{share.count:,} of {share.among:,} ({share.low * 100:.0f} to {share.high * 100:.0f} %)"


def _format_chance(chance: PrintedChance | None) -> str:
    if chance is None:
        return "none"
    return f"{chance.estimate * 100:.1f} % (mean of {chance.drives:,})"
