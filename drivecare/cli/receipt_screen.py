"""What a copy, or a later verification, proved: the receipt of a drive or image, and that of a bag, for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivecare.cli.contents_screen import hold_lines
from drivecare.format import Excerpt, format_bytes, format_count
from drivecare.shell import command_line
from drivecare.transfer.counted import describe_counted
from drivecare.transfer.holds import hits_nothing
from drivecare.transfer.sectors.receipt import describe_read_back
from drivecare.visible import visible

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from drivecare.cli.screen import Screen
    from drivecare.transfer.files.bag import BagReceipt, FileNote, ForeignBag
    from drivecare.transfer.holds import AreaContents
    from drivecare.transfer.sectors.receipt import AreaT, Receipt, Unreadable

_OTHERS = "areas, all in the receipt"


def show_receipt(out: Screen, receipt: Receipt) -> None:
    """Print what a receipt proves, what it does not, and what to know about the copy."""
    for line in _proof_lines(receipt):
        out.print_wrapped(line)
    if receipt.verified and receipt.bytes_across:
        out.print(f"{receipt.digest.whole_algorithm} {receipt.digest.whole}", soft_wrap=True)
    _show_areas(out, receipt.mismatched, _describe_differing("read back wrong"))
    _show_areas(out, receipt.target_unreadable, _describe_differing("could not be read back from the target"))
    if receipt.mismatched or receipt.target_unreadable:
        out.print_wrapped("Copy with --resume to write these areas again; if it happens again, the target is faulty.")
    _show_areas(out, _in_doubt(receipt), _describe_differing("not read"))
    sector_bytes = (receipt.origin or receipt.source).logical_sector_bytes or 512
    _show_areas(out, receipt.unreadable, lambda area: _describe_unreadable(area, sector_bytes))
    if receipt.unreadable and receipt.bytes_across:
        out.print_wrapped("The target holds text there that names the place: search for 'could not be read'.")
    if receipt.tail is not None and receipt.tail.cleared:
        cleared = f": {', '.join(receipt.tail.found)}" if receipt.tail.found else ""
        out.print_wrapped(f"Old data at the end of the larger target was cleared{cleared}.")
    for line in Excerpt(tuple(describe_counted(receipt.counted))).lines(str, "partitions, all in the receipt"):
        out.print_wrapped(visible(line))
    for note in receipt.notes:
        out.print_wrapped(note.text)
    if receipt.begun_by_version not in (None, receipt.tool_version):
        out.print_wrapped(f"Begun by drivecare {receipt.begun_by_version}, ended by {receipt.tool_version}.")


def _proof_lines(receipt: Receipt) -> Iterator[str]:
    """First how much was copied, then what is proven of it; no word of success where nothing succeeded."""
    whole, across = receipt.bytes_total, receipt.bytes_across
    if not across:
        verb = "were" if receipt.unread else "could be"
        yield f"NOTHING COPIED: 0 of {whole:,} bytes ({format_bytes(whole)}) {verb} read."
    elif receipt.unreadable and not receipt.unread:
        lost = format_count(len(receipt.unreadable), "unreadable area")
        yield f"{across:,} of {whole:,} bytes ({format_bytes(whole)}) could be read: all but {lost}."
    if receipt.unread:
        yield from _unread_lines(receipt)
    if receipt.verification is None or not receipt.verified:
        yield from _failure_lines(receipt)
        return
    method = describe_read_back(receipt.verification.method)
    if not across:
        yield f"The target holds nothing but the text that marks unreadable places; all of it was read back {method}."
    elif receipt.unreadable:
        yield f"VERIFIED: the target holds every byte that could be read; all of it was read back {method} and agrees."
    else:
        yield f"VERIFIED: all {whole:,} bytes ({format_bytes(whole)}) were read back {method} and agree."


def _in_doubt(receipt: Receipt) -> list[AreaContents]:
    """The unread areas that hold more than free space, or are not known to hold no more."""
    return [area for area in receipt.unread if not hits_nothing(area, area.holds)]


def _unread_lines(receipt: Receipt) -> Iterator[str]:
    """What a copy that stopped at what is used leaves out, where nothing was tried, and what is proven of the rest."""
    whole, unread = receipt.bytes_total, sum(area.length for area in receipt.unread)
    areas = format_count(len(receipt.unread), "area")
    yield (
        f"NOT WHOLE: the copy stopped at what is used, as asked. {unread:,} of {whole:,} bytes "
        f"({format_bytes(unread)}, in {areas}) were not read, and nothing was written there: the target holds what it "
        "held before. Copy with --resume and without --until used to read them, too."
    )
    if not _in_doubt(receipt):
        yield "All of that is free space by the file systems' own records, or lies in no partition."
    if receipt.unreadable:
        yield f"{format_count(len(receipt.unreadable), 'area')} could not be read."
    agreeing = sum(area.length for area in receipt.verified_areas)
    if receipt.verification is not None:
        method = describe_read_back(receipt.verification.method)
        yield f"All {agreeing:,} bytes that were copied were read back {method} and agree."
    else:
        yield f"Of the {receipt.bytes_copied:,} bytes that were copied, {agreeing:,} agree."


def _failure_lines(receipt: Receipt) -> Iterator[str]:
    """Read back wrong, or not read back at all: two things."""
    silent = sum(area.length for area in receipt.target_unreadable)
    if receipt.mismatched:
        wrong = sum(area.length for area in receipt.mismatched)
        areas = format_count(len(receipt.mismatched), "area")
        yield f"NOT VERIFIED: the target does not hold what it must, in {areas} ({wrong:,} bytes in all)."
    elif silent:
        yield f"NOT VERIFIED: {format_bytes(silent)} of the target could not be read back; the rest agrees."
    elif not receipt.unread:
        yield "NOT VERIFIED: the target was not read back in full."


def _describe_unreadable(area: Unreadable, sector_bytes: int) -> str:
    place = f"{area.length:,} bytes at byte {area.offset:,}, LBA {area.offset // sector_bytes:,}"
    partitions = f", {', '.join(area.partitions)}" if area.partitions else ""
    return f"  unreadable: {place}{partitions}" + (" (lost in the image's own copy)" if area.inherited else "")


def _show_areas(out: Screen, areas: Sequence[AreaT], describe: Callable[[AreaT], str]) -> None:
    """Print each area in a line, and below it what it holds."""
    for lines in Excerpt(areas).lines(
        lambda area: "\n".join([visible(describe(area)), *hold_lines(area.holds)]), _OTHERS
    ):
        out.print_lines(lines.split("\n"))


def _describe_differing(title: str) -> Callable[[AreaContents], str]:
    return lambda area: f"  {title}: {area.length:,} bytes at byte {area.offset:,}"


def show_bag(out: Screen, receipt: BagReceipt) -> None:
    """Print what the receipt of a file copy proves."""
    contents = f"{format_count(receipt.files, 'file')}, {format_count(receipt.bytes_total, 'byte')}"
    lines = [f"{contents}   {receipt.source.path} -> {receipt.target.path}"]
    if receipt.verification:
        method = describe_read_back(receipt.verification.method)
        exceptions = f", except for {len(receipt.left_out):,} left out" if receipt.left_out else ""
        lines.append(f"VERIFIED{exceptions}   every file was read back {method} and agrees")
    elif not receipt.files:
        lines.append("NOTHING COPIED   not one file was copied")
    lines += _fault_lines(receipt)
    lines += _note_lines("left out, not in the bag", receipt.left_out, receipt.kinds_left_out)
    lines += _note_lines("in the bag, but not everything about it could be kept", receipt.not_kept)
    lines += _note_lines("stored under another spelling", receipt.renamed)
    lines += [f"note: {notice}" for notice in receipt.notices]
    lines.append(f"manifest SHA-256 {receipt.manifest_sha256}")
    lines.append(f"Next: {command_line('verify', receipt.target.path)}   at any later time")
    out.print_lines(lines)


def show_foreign_bag(out: Screen, result: ForeignBag) -> None:
    """Print what reading another program's bag showed."""
    agrees = ["VERIFIED: every file agrees with the manifest."] if result.verified else []
    out.print_lines(agrees + _fault_lines(result))


def _fault_lines(bag: BagReceipt | ForeignBag) -> list[str]:
    """Read wrong, not there and could not be read are three things, each under its own title."""
    return [
        *_note_lines("MISMATCH   not what the manifest says", bag.mismatched),
        *_note_lines("MISSING   named in the manifest, not in the bag", bag.missing),
        *_note_lines("NOT READ   could not be read, so nothing is known about it", bag.target_unreadable),
    ]


def _note_lines(title: str, notes: Sequence[FileNote], kinds: str = "") -> list[str]:
    if not notes:
        return []
    lines = Excerpt(notes).lines(lambda note: f"    {note.name}: {note.reason}", "files, all in the receipt")
    return [f"{title}: {len(notes):,}" + (f" ({kinds})" if kinds else ""), *lines]
