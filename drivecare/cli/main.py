"""The command table and the one place where an error becomes a line and an exit code."""

from __future__ import annotations

import importlib
import logging
import os
import sys
from typing import TYPE_CHECKING

import click

from drivecare import __version__
from drivecare.cli.command import HouseGroup
from drivecare.cli.terminal import close_stderr, guard_streams, notify
from drivecare.errors import DriveCareError
from drivecare.exit_codes import ExitCode
from drivecare.invoking_user import settings_lost_to_sudo
from drivecare.visible import visible

if TYPE_CHECKING:
    from drivecare.work import Machine

# In the order of a job. The help lines are here and not in the commands' files, so that `drivecare --help` imports none
# of those; tests/cli/test_main.py checks that every entry has its command.
COMMANDS: dict[str, tuple[str, str]] = {
    "drives": ("drivecare.cli.drives", "List attached drives: what each is and whether it is in use."),
    "assess": ("drivecare.cli.assess", "Judge a drive from its own report: live, saved or pasted."),
    "assess-table": ("drivecare.cli.assess_table", "Judge many drives at once, from a table of their counters."),
    "rules": ("drivecare.cli.rules", "Show what each signal means for the verdict, with its source."),
    "selftest": ("drivecare.cli.selftest", "Have a drive test itself, follow it, judge the result."),
    "readscan": ("drivecare.cli.readscan", "Read the surface and time it: unreadable and slow areas."),
    "plan": ("drivecare.cli.plan", "Find a replacement that fits the unit, and how to fit it."),
    "copy": ("drivecare.cli.copy", "Copy a drive or image and prove it by reading the target back."),
    "copy-files": ("drivecare.cli.copy_files", "Copy only the files, into a verified bag."),
    "verify": ("drivecare.cli.verify", "Read a target again and compare it with its receipt."),
    "contents": ("drivecare.cli.contents", "Show partitions, files and space, and what lay where a copy has gaps."),
    "hosts": ("drivecare.cli.hosts", "List and show units and bays, check a profile, match a label."),
    "job": ("drivecare.cli.job", "Open, record, show, list, export and close jobs."),
    "next": ("drivecare.cli.next", "Say where a job stands and the one command that comes now."),
    "history": ("drivecare.cli.history", "Show every reading of a drive across jobs, and what changed."),
    "gate": ("drivecare.cli.gate", "Say whether the swap may happen, and what is missing."),
    "handover": ("drivecare.cli.handover", "Write the handover sheet for the customer and the shop."),
    "records": ("drivecare.cli.records", "Share one record among several benches, on a PostgreSQL server."),
    "shop": ("drivecare.cli.shop", "Report what all jobs came to: verdicts, losses, what came back."),
    "doctor": ("drivecare.cli.doctor", "Check whether this machine is ready for a customer's drive."),
    "demo": ("drivecare.cli.demo", "Run a whole job on invented drives: no hardware, no root."),
}


class FlowGroup(HouseGroup):
    """Commands in flow order, each imported only when called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  click's signature
        """List the names in the order of a job, not of the alphabet."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import the command's file and return the click command named as the command is."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(COMMANDS[cmd_name][0])
        command = getattr(module, cmd_name.replace("-", "_"))
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write the lists in `--help` from the tables alone."""
        with formatter.section("Commands, in the order of a job"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code.value), code.meaning) for code in ExitCode])


@click.group(cls=FlowGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="drivecare")
def cli() -> None:
    """Carry one pulled drive through a whole bench job.

    Read it, judge it, find the replacement that fits, copy it provably, and know when the swap may happen.
    Start with `drivecare demo`: it needs no drive and no root.
    """
    logging.basicConfig(level=logging.WARNING, format="%(message)s")
    if lost := settings_lost_to_sudo():
        notify(
            f"drivecare: sudo did not pass on {', '.join(lost)}. Name it on the command line, or let sudo keep it:"
            ' README, "Set it up".'
        )


def main(machine: Machine | None = None) -> None:
    """Run a command; turn an expected error into one line on stderr and its exit code.

    `machine` is this machine, or a recorded one in tests.
    """
    guard_streams()
    try:
        sys.exit(cli(standalone_mode=False, obj=machine))  # the code of click's Exit; None where a command just ends
    except click.ClickException as error:
        error.message = visible(error.message)  # type: ignore[misc]  # it may quote a name from the command line
        error.show()
        sys.exit(error.exit_code)
    except click.Abort:
        notify("drivecare: stopped; there is nothing to continue")  # what can be continued says so itself: Interrupted
        sys.exit(ExitCode.ERROR)
    except DriveCareError as error:
        logging.getLogger("drivecare").debug("", exc_info=error)
        notify(f"drivecare: {error.message()}")
        sys.exit(error.exit_code)
    except BrokenPipeError:
        close_stderr()
        sys.exit(ExitCode.DONE)
    except OSError as error:  # of the machine, not of the program: a full disk, a folder without write permission
        logging.getLogger("drivecare").debug("", exc_info=error)
        location = f"{error.filename}: " if error.filename else ""
        notify(f"drivecare: {location}{error.strerror}. Check the path and its permissions; -v says more.")
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)  # what could not be printed is not tried again at the end
        sys.exit(ExitCode.ERROR)


if __name__ == "__main__":
    main()
