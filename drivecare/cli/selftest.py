"""`drivecare selftest`: let a drive test itself, follow it, judge the result."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, job_folder, job_options, json_option, machine
from drivecare.cli.terminal import notify, progress_bar
from drivecare.exit_codes import ExitCode
from drivecare.format import format_minutes
from drivecare.work.load_guard import OPTION, OPTION_HELP, refuse_load

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.reading.model import Reading
    from drivecare.work.self_test import Following, SelfTestReport

# A test that found unreadable, servo or electrical trouble is observed loss; every other failure rules the drive out.
LOSING_DATA = ("read", "servo", "electrical")


@click.command(epilog="\b\nExample: sudo drivecare selftest /dev/sdb --extended")
@click.argument("drive")
@click.option("--extended", is_flag=True, help="Test the whole surface (hours) instead of the short test (minutes).")
@click.option("--stop", is_flag=True, help="Stop the test that is running.")
@click.option("--transport", metavar="TYPE", help="How to reach the drive: sat, sntjmicron, ... [default: found out]")
@click.option(OPTION, metavar="SERIAL", help=OPTION_HELP)
@job_options
@json_option
@click.pass_context
def selftest(
    ctx: click.Context,
    drive: str,
    extended: bool,
    stop: bool,
    transport: str | None,
    allow_load: str | None,
    job: str | None,
    jobs: Path | None,
    as_json: bool,
) -> None:
    """Let a drive test itself and judge the result.

    A test that is running already is followed. Ctrl-C leaves the test running inside the drive; the same command picks
    it up again. A drive that is losing data is refused until it is copied: a test loads it.

    Exit code: 0 passed, 11 or 12 failed, 13 not judged, 22 refused, 23 left running.
    """
    from drivecare.hardware.smart import read_drive
    from drivecare.work.self_test import Session

    folder = job_folder(job, jobs) if job is not None else None  # a wrong job is said before hours of testing
    here = machine(ctx)
    reading = read_drive(drive, transport=transport, machine=here)
    session = Session(here.backend(), here.clock, drive, _way(reading, transport), "extended" if extended else "short")
    if stop:
        report = session.stop()
    else:
        if session.running:
            notify("a self-test is running already; following it")
        else:
            refuse_load(reading, "a self-test", allow_load=allow_load, folder=folder)
            session.start()
        try:
            with _progress() as told:
                report = session.follow(told)
        except KeyboardInterrupt:
            report = session.left_running()
    finish(report, show=lambda out: _show(out, report), as_json=as_json, exit_code=_exit_code(report), folder=folder)


def _way(reading: Reading, transport: str | None) -> str | None:
    """The transport that answered, where it had to be found behind a bridge."""
    return transport or (reading.transport if reading.bridge else None)


@contextmanager
def _progress() -> Iterator[Callable[[Following], None]]:
    """A bar on stderr from the drive's own remaining percent; silent where stderr is no terminal."""
    layout = "{desc}: {percentage:3.0f}% |{bar}| {elapsed} gone{postfix}"
    with progress_bar("self-test", total=100, bar_format=layout) as bar:

        def told(following: Following) -> None:
            bar.n = 100 - following.remaining_percent
            if following.minutes_left is not None:
                bar.set_postfix_str(f"about {format_minutes(following.minutes_left)} left", refresh=False)
            bar.refresh()

        yield told


def _exit_code(report: SelfTestReport) -> ExitCode:
    if report.state == "failed":
        losing_data = report.result is not None and report.result.result in LOSING_DATA
        return ExitCode.EVACUATE if losing_data else ExitCode.REPLACE
    return {
        "passed": ExitCode.DONE,
        "stopped": ExitCode.DONE,
        "not-judged": ExitCode.UNPROVEN,
        "running": ExitCode.INTERRUPTED,
    }[report.state]


def _show(out: Screen, report: SelfTestReport) -> None:
    import textwrap

    drive, result = report.drive, report.result
    out.print(
        f"{drive.model or 'Model unknown'}   serial {drive.serial or 'unknown'}   on {report.path}", soft_wrap=True
    )
    words = {
        "passed": "PASSED  The drive found no fault in itself.",
        "failed": "FAILED  The drive found a fault in itself.",
        "not-judged": "NOT JUDGED  The test gave no result.",
        "stopped": "STOPPED  The test was ended; nothing is known from it.",
        "running": "RUNNING  The test goes on.",
    }
    out.print(words[report.state])
    if result is not None:
        place = f", first bad LBA {result.lba:,}" if result.lba is not None else ""
        hours = f", at {result.hours:,} hours powered on" if result.hours is not None else ""
        out.print(f"  logged as {result.kind}: {result.result}{hours}{place}", soft_wrap=True)
    if report.remaining_percent is not None:
        out.print(f"  {report.remaining_percent} % still to go")
    for line in textwrap.wrap(report.advice or "", 76, break_on_hyphens=False, break_long_words=False):
        out.print(f"  {line}", soft_wrap=True)
    if report.state == "passed":
        out.print(
            "  A short test looks at samples only; --extended reads the whole surface."
            if report.kind == "short"
            else ""
        )
