"""`drivecare drives`: what is attached, what each is, whether it is in use."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import finish, json_option, machine

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.work.attached_drives import AttachedDrive


@click.command(
    cls=HouseCommand,
    examples=["drivecare drives"],
)
@json_option
@click.pass_context
def drives(ctx: click.Context, as_json: bool) -> None:
    """List attached drives: path, size, bus, model, serial number, and what uses them.

    Needs no root and opens no drive. Image files are listed while they are attached as loop devices.
    """
    from drivecare.work.attached_drives import list_attached

    attached = list_attached(machine(ctx))

    def show(out: Screen) -> None:
        for drive in attached.drives:
            out.print_lines(_describe_drive(drive))
        if not attached.drives:
            out.print("No drive is attached. Plug one in, switch its dock on, wait ten seconds and try again.")

    finish(attached, show=show, as_json=as_json)


def _describe_drive(drive: AttachedDrive) -> list[str]:
    """A drive in a few lines of at most 80 columns; nothing that names it is ever cut."""
    from drivecare.cli.describe import describe_attached
    from drivecare.format import format_bytes

    state = "THIS MACHINE RUNS FROM IT" if drive.system else "IN USE" if drive.in_use else "free"
    flags = [
        word
        for word, holds in (
            ("read-only", drive.read_only),
            ("removable", drive.removable),
            (f"{drive.logical_sector_bytes}-byte sectors", drive.logical_sector_bytes != 512),
            (f"zoned, {drive.zoned}", drive.zoned != "none"),
        )
        if holds
    ]
    kind = ", ".join((describe_attached(drive), *flags))
    lines = [f"{drive.path:<14} {format_bytes(drive.capacity_bytes):>8}  {kind:<26}  {state}".rstrip()]
    behind = [f"behind {drive.bridge}"] if drive.bridge else []
    return [*lines, *(f"{'':14} {words}" for words in (_name_drive(drive), *behind, *drive.in_use))]


def _name_drive(drive: AttachedDrive) -> str:
    if drive.backing_file:
        return drive.backing_file
    model = drive.model or "model unknown"
    if drive.identity.native_serial is None and drive.serial:
        return f"{model}   serial {drive.serial} (the bridge's own)"
    return f"{model}   serial {drive.serial or 'unknown'}"
