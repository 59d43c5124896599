"""What of a drive is used, for a copy that has hardly begun: asked of what has come across so far, and what lacks.

    the copy so far --> parser --> what lacks to tell more --> read by the copy's own engine --> the copy so far ...

The parser sees the copy, never the source. It names what it lacks, and whoever copies decides whether to read that.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence

from drivecare.contents.answering import OpenVolume
from drivecare.contents.assembly import without_files
from drivecare.contents.attribution import Attribution
from drivecare.contents.model import Volume, VolumeAnswer, VolumeQuestion, VolumeUsage
from drivecare.contents.readers.tree import NONSENSE, Reader
from drivecare.contents.recognise import recognise
from drivecare.contents.window import Window
from drivecare.transfer.areas import Area, close_gaps, merge, pieces
from drivecare.transfer.sectors.partitions import ReadAt
from drivecare.transfer.sectors.receipt import chunk_bytes_for

# The record of free space is asked in parts of this size, so that one that lacks costs its own part alone. It is what
# a block of ext's record tells of, where blocks have 4 KiB.
_PART_BYTES = 128 << 20


def answer_usage(question: VolumeQuestion, read: ReadAt, readers: Mapping[str, OpenVolume]) -> VolumeAnswer:
    """Where the structures and the free space of a partition lie, as far as its copy can tell, and what lacks."""
    window = Window(read, question.partition, question.lost)
    mark = recognise(window.at, window.size_bytes, question.type)
    if mark.reader is None:
        return without_files(question, mark)
    usage = VolumeUsage()
    with contextlib.suppress(*NONSENSE):  # what lacks is told all the same
        reader = readers[mark.reader](window)
        reader.open()
        usage = _usage_of(reader, window.size_bytes, question.partition.offset)
    return VolumeAnswer(volume=Volume(file_system=mark.file_system), usage=usage, lacking=window.lacking)


def _usage_of(reader: Reader, size_bytes: int, base: int) -> VolumeUsage:
    """In few areas, counted from the medium's start: what lies too near to pass over is joined or left out."""
    structures = Attribution([Area(offset=0, length=size_bytes)])
    least = chunk_bytes_for(size_bytes)
    with contextlib.suppress(*NONSENSE):
        reader.claim_structures(structures)
    free = [part for part in merge(_recorded_free(reader, size_bytes)) if part.length >= least]
    clean = False
    with contextlib.suppress(*NONSENSE):
        clean = reader.is_clean()
    return VolumeUsage(
        structures=tuple(_moved(close_gaps(structures.claimed(), least), base)),
        free=tuple(_moved(free, base)),
        clean=clean,
    )


def _recorded_free(reader: Reader, size_bytes: int) -> Iterator[Area]:
    for part in pieces(Area(offset=0, length=size_bytes), _PART_BYTES):
        try:
            yield from merge(reader.recorded_free(part) or ())
        except NONSENSE:
            continue


def _moved(areas: Sequence[Area], base: int) -> Iterator[Area]:
    return (Area(offset=area.offset + base, length=area.length) for area in areas)
