"""What a copy, or a later verification, proved: the receipt of a drive or image, and that of a bag, for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivecare.format import Excerpt, format_bytes, format_count
from drivecare.shell import command_line

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivecare.cli.screen import Screen
    from drivecare.transfer.areas import Area
    from drivecare.transfer.files.bag import BagReceipt, FileNote, ForeignBag
    from drivecare.transfer.sectors.receipt import Receipt

_SHOWN = 12
_MORE = "areas, all in the receipt"


def show_receipt(out: Screen, receipt: Receipt) -> None:
    """A receipt in a few lines: what is proven, what is not, what to know."""
    for line in _headline(receipt):
        out.print_wrapped(line)
    if receipt.verified and receipt.bytes_across:
        out.print(f"sha256 {receipt.digest.whole}", soft_wrap=True)
    _list(out, "read back wrong", receipt.mismatched)
    _list(out, "could not be read back from the target", receipt.target_unreadable)
    if receipt.mismatched or receipt.target_unreadable:
        out.print_wrapped("Copy with --resume to write these areas again; if it comes back, the target is faulty.")
    out.print_lines(
        Excerpt(receipt.unreadable).lines(
            lambda lost: _lost(lost, lost.partitions, lost.inherited, _sector(receipt)), _MORE
        )
    )
    if receipt.unreadable and receipt.bytes_across:
        out.print_wrapped("The target holds text there that names the place: search for 'could not be read'.")
    if receipt.tail is not None and receipt.tail.cleared:
        found = f": {', '.join(receipt.tail.found)}" if receipt.tail.found else ""
        out.print_wrapped(f"Old data at the end of the larger target was cleared{found}.")
    for note in receipt.notes:
        out.print_wrapped(note.text)


_HOW = {
    "direct": "past this machine's cache",
    "cache-dropped": "after this machine's cache was dropped",
    "after-power-cycle": "after a power cycle",
}


def _headline(receipt: Receipt) -> Iterator[str]:
    """First how much is across, then what is proven of it; no word of success where nothing succeeded."""
    whole, across = receipt.bytes_total, receipt.bytes_across
    if not across:
        yield f"NOTHING COPIED: 0 of {whole:,} bytes ({format_bytes(whole)}) could be read."
    elif receipt.unreadable:
        lost = format_count(len(receipt.unreadable), "unreadable area")
        yield f"{across:,} of {whole:,} bytes ({format_bytes(whole)}) could be read: all but {lost}."
    if receipt.verification is None or not receipt.verified:
        yield from _unproven(receipt)
        return
    how = _HOW[receipt.verification.method]
    if not across:
        yield f"The target holds nothing but the text that marks unreadable places; all of it was read back {how}."
    elif receipt.unreadable:
        yield f"VERIFIED: the target holds every byte that could be read; all of it was read back {how} and agrees."
    else:
        yield f"VERIFIED: all {whole:,} bytes ({format_bytes(whole)}) were read back {how} and agree."


def _unproven(receipt: Receipt) -> Iterator[str]:
    """Read back wrong, or not read back at all: two things."""
    silent = sum(one.length for one in receipt.target_unreadable)
    if receipt.mismatched:
        wrong = sum(one.length for one in receipt.mismatched)
        places = format_count(len(receipt.mismatched), "area")
        yield f"NOT VERIFIED: the target does not hold what it must, in {places} of together {wrong:,} bytes."
    elif not silent:
        yield "NOT VERIFIED: the target was not read back whole."
    else:
        yield f"NOT VERIFIED: {format_bytes(silent)} of the target could not be read back; the rest agrees."


def _lost(area: Area, partitions: tuple[str, ...], inherited: bool, sector_bytes: int) -> str:
    place = f"{area.length:,} bytes at byte {area.offset:,}, LBA {area.offset // sector_bytes:,}"
    lay_in = f", {', '.join(partitions)}" if partitions else ""
    return f"  unreadable: {place}{lay_in}" + (" (lost in the image's own copy)" if inherited else "")


def _list(out: Screen, what: str, areas: tuple[Area, ...]) -> None:
    def say(one: Area) -> str:
        return f"  {what}: {one.length:,} bytes at byte {one.offset:,}"

    out.print_lines(Excerpt(areas).lines(say, _MORE))


def _sector(receipt: Receipt) -> int:
    origin = receipt.origin or receipt.source
    return origin.logical_sector_bytes or 512


def show_bag(out: Screen, receipt: BagReceipt) -> None:
    """A receipt for people."""
    what = f"{format_count(receipt.files, 'file')}, {receipt.bytes_total:,} bytes"
    lines = [f"{what}   {receipt.source.path} -> {receipt.target.path}"]
    if receipt.verification:
        how = {"direct": "past the host's cache", "cache-dropped": "after dropping the host's cache"}
        but = f", but for {len(receipt.left_out):,} left out" if receipt.left_out else ""
        lines.append(f"VERIFIED{but}   every file was read back {how[receipt.verification.method]} and agrees")
    elif not receipt.files:
        lines.append("NOTHING COPIED   no file is across")
    lines += _wrong_in_bag(receipt)
    lines += _listed("left out, not in the bag", receipt.left_out)
    lines += _listed("in the bag, but not everything of it could be kept", receipt.not_kept)
    lines += _listed("stored under another spelling", receipt.renamed)
    lines += [f"note: {notice}" for notice in receipt.notices]
    lines.append(f"manifest SHA-256 {receipt.manifest_sha256}")
    lines.append(f"Next: {command_line('verify', receipt.target.path)}   any time later")
    out.print_lines(lines)


def show_foreign_bag(out: Screen, result: ForeignBag) -> None:
    """What reading a bag of another program again showed."""
    agrees = ["VERIFIED: every file agrees with the manifest."] if result.verified else []
    out.print_lines(agrees + _wrong_in_bag(result))


def _wrong_in_bag(bag: BagReceipt | ForeignBag) -> list[str]:
    """Read wrong, not there and could not be read are three things, each under its own title."""
    return [
        *_listed("MISMATCH   not what the manifest says", bag.mismatched),
        *_listed("MISSING   named in the manifest, not in the bag", bag.missing),
        *_listed("NOT READ   could not be read, so nothing is known of it", bag.target_unreadable),
    ]


def _listed(title: str, notes: Sequence[FileNote]) -> list[str]:
    if not notes:
        return []
    more = [f"    and {len(notes) - _SHOWN:,} more, all in the receipt"] if len(notes) > _SHOWN else []
    return [f"{title}: {len(notes):,}", *(f"    {note.name}: {note.reason}" for note in notes[:_SHOWN]), *more]
