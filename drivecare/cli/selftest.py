"""`drivecare selftest`: let a drive test itself, follow it, judge the result."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import allow_load_option, filing_folder, finish, job_options, json_option, machine
from drivecare.cli.completion import drives_and_files
from drivecare.cli.terminal import notify, progress_bar, ring_bell
from drivecare.exit_codes import ExitCode
from drivecare.format import format_minutes

if TYPE_CHECKING:
    from tqdm import tqdm

    from drivecare.cli.screen import Screen
    from drivecare.record.location import Place
    from drivecare.work.self_test import SelfTestProgress, SelfTestReport


@click.command(
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "the drive found no fault",
        ExitCode.REPLACE: "it found one",
        ExitCode.EVACUATE: "it found one, and is losing data",
        ExitCode.UNPROVEN: "no result",
        ExitCode.REFUSED: "refused: it is losing data and not copied yet",
        ExitCode.INTERRUPTED: "left running; the same command picks it up again",
    },
    examples=["sudo drivecare selftest /dev/sdb --extended"],
)
@click.argument("drive", shell_complete=drives_and_files)
@click.option("--extended", is_flag=True, help="Test the whole surface (hours) instead of the short test (minutes).")
@click.option("--stop", is_flag=True, help="Stop the test that is running.")
@click.option("--transport", metavar="TYPE", help="How to reach the drive: sat, nvme, scsi, ... [default: detected]")
@allow_load_option
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
    jobs: Place | None,
    as_json: bool,
) -> None:
    """Have a drive test itself and judge the result.

    A test that is already running is followed. Ctrl-C leaves the test running inside the drive; the same command picks
    it up again. A drive that is losing data is refused until it is copied: a test puts load on it.
    """
    from drivecare.work.self_test import SelfTestRequest, run_self_test

    request = SelfTestRequest(
        path=drive,
        kind="extended" if extended else "short",
        stop=stop,
        transport=transport,
        allow_load=allow_load,
        folder=filing_folder(job, jobs),  # a wrong job is said before hours of testing
    )
    with _SelfTestBar() as bar:
        report = run_self_test(request, machine(ctx), notify=notify, on_progress=bar.show)
    finish(
        report,
        show=lambda out: _show_report(out, report),
        as_json=as_json,
        exit_code=report.exit_code,
        folder=request.folder,
    )


class _SelfTestBar(AbstractContextManager["_SelfTestBar"]):
    """A bar on stderr from the drive's own remaining percent; silent where stderr is no terminal."""

    def __init__(self) -> None:
        self._bar: tqdm[Any] | None = None

    def show(self, progress: SelfTestProgress) -> None:
        """Move the bar, which is drawn from the first progress on."""
        if self._bar is None:
            layout = "{desc}: {percentage:3.0f}% |{bar}| {elapsed} gone{postfix}"
            self._bar = progress_bar("self-test", total=100, bar_format=layout)
        self._bar.n = 100 - progress.remaining_percent
        if progress.minutes_left is not None:
            self._bar.set_postfix_str(f"about {format_minutes(progress.minutes_left)} left", refresh=False)
        self._bar.refresh()

    def __exit__(self, *_: object) -> None:
        """Leave the bar as it stands."""
        if self._bar is not None:
            self._bar.close()
            ring_bell()


def _show_report(out: Screen, report: SelfTestReport) -> None:
    drive, result = report.drive, report.result
    out.print(
        f"{drive.model or 'Model unknown'}   serial {drive.serial or 'unknown'}   on {report.path}", soft_wrap=True
    )
    headlines = {
        "passed": "NO FAULT FOUND   The drive tested itself and says it is sound.",
        "failed": "FAULT FOUND   The drive tested itself and says it is not sound.",
        "not-judged": "NO RESULT   The test ended without one.",
        "stopped": "ENDED EARLY   Nothing is known from this test.",
        "running": "STILL TESTING   The result is not there yet.",
    }
    out.print(headlines[report.state])
    if result is not None:
        place = f", first bad LBA {result.lba:,}" if result.lba is not None else ""
        hours = f", at {result.hours:,} hours powered on" if result.hours is not None else ""
        out.print(f"  logged as {result.name} test: {result.result}{hours}{place}", soft_wrap=True)
    if report.remaining_percent is not None:
        out.print(f"  {report.remaining_percent} % remaining")
    if report.advice:
        out.print_wrapped(report.advice, first="  ")
    if report.state == "passed":
        out.print(
            "  A short test looks at samples only; --extended reads the whole surface."
            if report.kind == "short"
            else ""
        )
