"""`drivecare doctor`: is this machine ready for a customer's drive?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, json_option, machine
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.work.check_up import Check

MARKS = {"ok": "ok", "warn": "LOOK", "missing": "MISSING"}


@click.command(epilog="\b\nExample: sudo drivecare doctor")
@json_option
@click.pass_context
def doctor(ctx: click.Context, as_json: bool) -> None:
    """Check this machine: smartmontools, rights, docks, the shop's profiles, what would touch a drive by itself.

    Changes nothing. With sudo it also tries each dock.

    Exit code: 0 when nothing needed is missing, 3 otherwise.
    """
    import msgspec

    from drivecare.work.check_up import check_machine

    report = check_machine(machine(ctx))
    report = msgspec.structs.replace(report, checks=(*report.checks, _profiles()))

    def show(out: Screen) -> None:
        import textwrap

        for check in report.checks:
            for index, line in enumerate(textwrap.wrap(f"{check.check}: {check.found}", 70, break_on_hyphens=False)):
                out.print(f"{MARKS[check.result] if not index else '':<8} {line}", soft_wrap=True)
            for line in textwrap.wrap(check.advice or "", 70, break_on_hyphens=False, break_long_words=False):
                out.print(f"{'':8} {line}", soft_wrap=True)
        out.print()
        out.print("Ready." if report.ready else "Not ready: see MISSING above.")

    finish(report, show=show, as_json=as_json, exit_code=ExitCode.DONE if report.ready else ExitCode.ERROR)


def _profiles() -> Check:
    """Whether every profile of a unit can be used."""
    from drivecare.cli.hosts import host_folders
    from drivecare.fit.host_catalogue import SHIPPED, load_hosts
    from drivecare.format import join_some
    from drivecare.work.check_up import Check

    name, profiles = "profiles", load_hosts(host_folders())
    if profiles.bad:
        files = join_some([f"{profile.file}: {profile.problems[0]}" for profile in profiles.bad], 3, "; ")
        advice = "These units are not known until that is mended. All that is wrong: drivecare hosts list."
        return Check(check=name, result="warn", found=f"cannot be used: {files}", advice=advice)
    own = sum(not host.origin.startswith(SHIPPED) for host in profiles.hosts)
    return Check(check=name, result="ok", found=f"{len(profiles.hosts)} units and bays, {own} of them the shop's own")
