"""`drivecare copy-files`: for a unit that initialises its own drive, the files alone, as a verified bag."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.command import HouseCommand
from drivecare.cli.common import PATH, filing_folder, finish, job_options, json_option, machine
from drivecare.exit_codes import ExitCode

if TYPE_CHECKING:
    from drivecare.record.location import Place


@click.command(
    "copy-files",
    cls=HouseCommand,
    ends={
        ExitCode.DONE: "all files were copied and read back",
        ExitCode.PARTIAL: "all but the listed ones",
        ExitCode.MISMATCH: "some are wrong or missing when read back",
        ExitCode.INTERRUPTED: "stopped midway; --resume continues",
    },
    examples=["drivecare copy-files /mnt/old-drive /mnt/shop/1042-files --job 1042"],
)
@click.argument("source", metavar="DIR", type=PATH)
@click.argument("target", metavar="TARGETDIR", type=PATH)
@click.option("--resume", is_flag=True, help="Continue an earlier, interrupted copy where it stopped.")
@job_options
@json_option
@click.pass_context
def copy_files(
    ctx: click.Context,
    source: Path,
    target: Path,
    resume: bool,
    job: str | None,
    jobs: Place | None,
    as_json: bool,
) -> None:
    """Copy the files below DIR into a new bag (BagIt, RFC 8493) at TARGETDIR and read them all back.

    Mount the customer's drive read-only and without replaying its journal (for ext4: mount -o ro,noload). What the
    target cannot hold is reported before the first byte is copied. Files that cannot be read are listed; the bag is
    valid without them. Setuid, setgid and sticky bits and the attributes security.* and trusted.* are recorded, not
    set: they would give rights on this machine. Check the bag again at any time: drivecare verify TARGETDIR
    """
    from drivecare.cli.progress import followed
    from drivecare.cli.receipt_screen import show_bag
    from drivecare.work.bags import copy_files_to_bag

    folder = filing_folder(job, jobs)
    with followed() as watch:
        receipt = copy_files_to_bag(source, target, machine(ctx), watch=watch, resume=resume, folder=folder)
    finish(
        receipt,
        show=lambda out: show_bag(out, receipt),
        as_json=as_json,
        exit_code=receipt.exit_code,
        folder=folder,
        again=f"file it with drivecare verify {shlex.quote(str(target))} and the same --job",
    )
