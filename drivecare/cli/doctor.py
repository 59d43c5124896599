"""`drivecare doctor`: is this machine ready for a customer's drive?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, json_option, machine

if TYPE_CHECKING:
    from rich.console import Console

MARKS = {"ok": "ok", "warn": "LOOK", "missing": "MISSING"}


@click.command(epilog="\b\nExample: sudo drivecare doctor")
@json_option
@click.pass_context
def doctor(ctx: click.Context, as_json: bool) -> None:
    """Check this machine: smartmontools, rights, docks, and what would touch a customer's drive by itself.

    Changes nothing. Ends with 0 when nothing needed is missing, with 3 otherwise. With sudo it also tries each dock.
    """
    from drivecare.hardware.checkup import check_machine

    found = check_machine(machine(ctx))

    def show(out: Console) -> None:
        import textwrap

        for check in found.checks:
            for index, line in enumerate(textwrap.wrap(f"{check.check}: {check.found}", 70, break_on_hyphens=False)):
                out.print(f"{MARKS[check.result] if not index else '':<8} {line}", soft_wrap=True)
            for line in textwrap.wrap(check.advice or "", 70, break_on_hyphens=False, break_long_words=False):
                out.print(f"{'':8} {line}", soft_wrap=True)
        out.print()
        out.print("Ready." if found.ready else "Not ready: see MISSING above.")

    finish(found, show=show, as_json=as_json, exit_code=0 if found.ready else 3)
