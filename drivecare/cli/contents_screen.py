"""What is on a drive or image, and what its lost areas hold, for people."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drivecare.format import Excerpt, format_bytes, format_count
from drivecare.visible import visible

if TYPE_CHECKING:
    from drivecare.cli.screen import Screen
    from drivecare.contents.model import Contents, Partition
    from drivecare.transfer.holds import AreaContents, Hold

_MOST_HOLDS = 3  # of one area on a screen


def show_contents(out: Screen, contents: Contents) -> None:
    """Print the partitions, then every area that was asked about."""
    out.print_lines([f"{contents.path}   {format_bytes(contents.size_bytes)}"])
    rows: list[tuple[str, ...]] = [("partition", "size", "file system", "used", "free", "files", "label")]
    rows += [_row(partition) for partition in contents.partitions]
    out.print_table(rows, heading=True)
    for partition in contents.partitions:
        if partition.reason:
            out.print_wrapped(f"{_name(partition)}: {_missing(partition)}: {partition.reason}.")
    for note in contents.notes:
        out.print_wrapped(f"note: {note}.")
    if contents.areas:
        out.print()
        out.print_wrapped(f"What lies in {format_count(len(contents.areas), 'area')} that did not come across:")
        several = len(contents.partitions) > 1
        for lines in Excerpt(contents.areas).lines(
            lambda area: "\n".join(area_lines(area, several=several)), "areas, all with --json"
        ):
            out.print_lines(lines.split("\n"))


def _name(partition: Partition) -> str:
    return f"partition {partition.number}" if partition.number else "the whole drive"


def _missing(partition: Partition) -> str:
    return "contents not known" if partition.files is None else "not all is known"


def _row(partition: Partition) -> tuple[str, ...]:
    def size(count: int | None) -> str:
        return format_bytes(count) if count is not None else "-"

    encrypted = ", encrypted" if partition.encrypted else ""
    return (
        str(partition.number or "whole"),
        format_bytes(partition.length),
        (partition.file_system or "not known") + encrypted,
        size(partition.used_bytes),
        size(partition.free_bytes),
        f"{partition.files:,}" if partition.files is not None else "-",
        partition.label or partition.name or "",
    )


def area_lines(area: AreaContents, *, several: bool = False) -> Iterator[str]:
    """An area in a line, and below it a line for each of the most important things that it holds."""
    yield f"  {area.length:,} bytes at byte {area.offset:,}"
    yield from hold_lines(area.holds, several=several)


def hold_lines(holds: Sequence[Hold], *, several: bool = False) -> Iterator[str]:
    """A line for each of the most important things that an area holds, below the area's own line."""
    yield from (f"      {visible(_describe_hold(hold, several=several))}" for hold in holds[:_MOST_HOLDS])
    if (others := len(holds) - _MOST_HOLDS) > 0:
        yield f"      and {others:,} more, all with --json"


def _describe_hold(hold: Hold, *, several: bool = False) -> str:
    """One line of what an area holds; `several` partitions are told apart."""
    place = f" (partition {hold.partition})" if several and hold.partition else ""
    match hold.kind:
        case "file":
            size = f" of {hold.size_bytes:,}" if hold.size_bytes is not None else ""
            hit = f"{hold.bytes:,}{size} bytes" if hold.bytes else "not damaged: its content ends before this place"
            return f"file {hold.path or hold.structure or '(its name is not kept here)'}: {hit}{place}"
        case "directory":
            return (
                f"folder {hold.path or '(its name is not kept here)'}: {hold.bytes:,} bytes of its list of names{place}"
            )
        case "structure":
            return f"structure of the file system, {hold.structure}: {hold.bytes:,} bytes{place}"
        case "free":
            return f"free space: {hold.bytes:,} bytes, no file that existed was hit{place}"
        case "deleted":
            name = f" {hold.path}" if hold.path else ""
            return f"deleted file{name}: {hold.bytes:,} bytes that were its own, no file that existed was hit{place}"
        case "outside":
            return f"outside any partition: {hold.bytes:,} bytes"
        case _:
            return f"not known: {hold.bytes:,} bytes, {hold.structure or hold.kind}{place}"
