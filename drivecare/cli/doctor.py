"""`drivecare doctor`: is this machine ready for a customer's drive?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import finish, json_option, machine
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen

MARKS = {"ok": "ok", "warn": "LOOK", "missing": "MISSING"}


@click.command(
    cls=HouseCommand,
    ends={ExitCode.DONE: "nothing needed is missing", ExitCode.ERROR: "something needed is missing"},
    examples=["sudo drivecare doctor"],
)
@json_option
@click.pass_context
def doctor(ctx: click.Context, as_json: bool) -> None:
    """Check this machine: smartmontools, rights, docks, the shop's profiles, and what would touch a drive unasked.

    Changes nothing. With sudo it also tries each dock.
    """
    from drivecare.cli.shop_profiles import host_folders
    from drivecare.work.check_up import check_machine

    report = check_machine(machine(ctx), host_folders())

    def show(out: Screen) -> None:
        for check in report.checks:
            out.print_wrapped(f"{check.check}: {check.found}", first=f"{MARKS[check.result]:<9}")
            if check.advice:
                out.print_wrapped(check.advice, first=" " * 9)
        out.print()
        out.print("Ready." if report.ready else "Not ready: see MISSING above.")

    finish(report, show=show, as_json=as_json, exit_code=report.exit_code)
