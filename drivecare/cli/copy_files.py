"""`drivecare copy-files`: for a unit that initialises its own drive, the files alone, as a verified bag."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from drivecare.cli.common import finish, job_options, json_option

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from drivecare.transfer.bag import BagReceipt, FileNote

_SHOWN = 12


@click.command("copy-files", epilog="Example: drivecare copy-files /mnt/old-drive /mnt/shop/job-1042-files --job 1042")
@click.argument("source", metavar="DIR", type=click.Path(path_type=Path))
@click.argument("target", metavar="TARGETDIR", type=click.Path(path_type=Path))
@click.option("--resume", is_flag=True, help="Go on where an earlier, interrupted copy stopped.")
@job_options
@json_option
def copy_files(source: Path, target: Path, resume: bool, job: str | None, jobs: Path | None, as_json: bool) -> None:
    """Copy the files below DIR into a new bag (BagIt, RFC 8493) at TARGETDIR and read them all back.

    Mount the customer's drive read-only and without replaying its journal (for ext4: mount -o ro,noload). What the
    target could not hold is said before the first byte. Files that cannot be read are listed; the bag is valid for the
    rest. Check it again at any time: drivecare verify TARGETDIR

    \b
    Exit: 0 all files across and verified, 20 all but the listed ones, 21 read back wrong,
    22 refused before anything was written, 23 stopped midway (go on with --resume).
    """
    from drivecare.cli.progress import ByteBars, stop_on_signals
    from drivecare.job.times import stamp
    from drivecare.transfer.files import copy_files as copy

    with ByteBars() as bars, stop_on_signals():
        receipt = copy(source, target, now=stamp, resume=resume, file_system=_file_system(target), progress=bars)
    finish(
        receipt,
        show=lambda out: show_bag(out, receipt),
        as_json=as_json,
        exit_code=bag_exit(receipt),
        job=job,
        jobs=jobs,
    )


def bag_exit(receipt: BagReceipt) -> int:
    """The exit code a bag's receipt means."""
    return 21 if receipt.mismatched else 20 if receipt.left_out else 0


def show_bag(out: Console, receipt: BagReceipt) -> None:
    """A receipt for people."""
    from drivecare.cli.words import several

    what = f"{several(receipt.files, 'file')}, {receipt.bytes_total:,} bytes"
    lines = [f"{what}   {receipt.source.path} -> {receipt.target.path}"]
    if receipt.verification:
        how = {"direct": "past the host's cache", "cache-dropped": "after dropping the host's cache"}
        lines.append(f"VERIFIED   every file was read back {how[receipt.verification.method]} and agrees")
    lines += _listed("MISMATCH   not what was read from the source", receipt.mismatched)
    lines += _listed("left out, not in the bag", receipt.left_out)
    lines += _listed("in the bag, but not everything of it could be kept", receipt.not_kept)
    lines += _listed("stored under another spelling", receipt.renamed)
    lines += [f"note: {notice}" for notice in receipt.notices]
    lines.append(f"manifest SHA-256 {receipt.manifest_sha256}")
    lines.append(f"Next: drivecare verify {receipt.target.path}   any time later")
    out.print("\n".join(lines), soft_wrap=True)


def _listed(title: str, notes: Sequence[FileNote]) -> list[str]:
    if not notes:
        return []
    more = [f"    and {len(notes) - _SHOWN:,} more, all in the receipt"] if len(notes) > _SHOWN else []
    return [f"{title}: {len(notes):,}", *(f"    {note.name}: {note.reason}" for note in notes[:_SHOWN]), *more]


def _file_system(target: Path) -> str | None:
    """The type of the file system that holds `target`, or will."""
    import psutil

    place = target.resolve()
    mounts = {part.mountpoint: part.fstype for part in psutil.disk_partitions(all=True)}
    return next((mounts[str(folder)] for folder in (place, *place.parents) if str(folder) in mounts), None)
