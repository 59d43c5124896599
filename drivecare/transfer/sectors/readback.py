"""Reading a target back: once, in order, from its first byte to its last, past this machine's cache."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future

from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area, merge, pieces, total, uncovered
from drivecare.transfer.medium import Buffer, Gone, Medium, Progress, Watch, blame, require_present
from drivecare.transfer.sectors.comparison import Comparison, ContentSample, ExpectedPart, ReadBack
from drivecare.transfer.sectors.digests import Algorithm, new_hash
from drivecare.transfer.sectors.liveness import FAILURES_BEFORE_DOUBT, Doubt
from drivecare.transfer.sectors.pipeline import READER_PATIENCE_SECONDS, Background
from drivecare.transfer.sectors.whole_transfers import read_fully

ReadOutcome = tuple[int, OSError | None]


def read_back(
    target: Medium,
    parts: Iterable[ExpectedPart],
    *,
    unread: Sequence[Area] = (),
    bytes_total: int,
    chunk_bytes: int,
    algorithm: Algorithm,
    whole_algorithm: Algorithm,
    buffers: tuple[Buffer, ...],
    watch: Watch,
) -> ReadBack:
    """Read bytes 0..bytes_total of the target, but for `unread`, and compare; `algorithm` is that of parts and chunks.

    Raises Gone, Stuck, Interrupted.
    """
    method = target.bypass_cache()
    reading: Background[ReadOutcome] = Background(overlap=watch.overlap, threads=2)
    hashing: Background[object] = Background(overlap=watch.overlap)
    comparing: Background[None] = Background(overlap=watch.overlap)
    whole, content = new_hash(whole_algorithm), ContentSample()
    comparison = Comparison(parts, chunk_bytes, bytes_total, algorithm)
    try:
        areas = tuple(uncovered(unread, Area.between(0, bytes_total)))
        done, to_read = 0, total(areas)
        for area, view in _read_in_order(target, areas, buffers, reading, watch):
            compared = comparing.submit(lambda area=area, view=view: comparison.add(area, view))  # type: ignore[misc]
            if view is not None:
                hashed = hashing.submit(lambda view=view: whole.update(view))  # type: ignore[misc]
                content.add(view)
                hashed.result()
            compared.result()
            done += area.length
            watch.on_progress(Progress("reading back", done, to_read))
            watch.raise_if_stopped()
        comparison.finish()
    finally:
        reading.close(wait=False)
        hashing.close()
        comparing.close()
    require_present(target)
    return ReadBack(
        method=method,
        whole=None if comparison.unread or comparison.skipped else whole.hexdigest(),
        chunks=tuple(comparison.chunks),
        mismatched=merge(comparison.mismatched),
        unreadable=merge(comparison.unread),
        zero_fraction=content.zero_fraction,
        looks_random=content.looks_random,
    )


def _read_in_order(
    target: Medium, areas: Sequence[Area], buffers: tuple[Buffer, ...], reading: Background[ReadOutcome], watch: Watch
) -> Generator[tuple[Area, memoryview | None]]:
    """The bytes of these areas of the target, read ahead; None where they could not be read, to the sector.

    A view is valid until the next is asked for.
    """
    blocks = (block for area in areas for block in pieces(area, len(buffers[0].view)))
    pending: deque[tuple[Area, Buffer, Future[ReadOutcome]]] = deque()
    free, doubt = list(buffers), Doubt(target)
    while True:
        while free and (area := next(blocks, None)) is not None:
            buffer = free.pop()
            read = reading.submit(lambda area=area, buffer=buffer: read_fully(target, area, buffer))  # type: ignore[misc]
            pending.append((area, buffer, read))
        if not pending:
            return
        area, buffer, read = pending.popleft()
        count, error = _await_read(read, watch)
        if count:
            yield Area.between(area.offset, area.offset + count), buffer.view[:count]
        if error is not None:
            _raise_unless_of_medium(target, error)
            yield from _read_by_sector(target, Area.between(area.offset + count, area.end), buffer, doubt)
        free.append(buffer)


def _await_read(read: Future[ReadOutcome], watch: Watch) -> ReadOutcome:
    """Wait for a read; one that hangs is not waited for once there is a reason to stop."""
    while True:
        try:
            return read.result(timeout=READER_PATIENCE_SECONDS)
        except TimeoutError:
            watch.raise_if_stopped()


def _read_by_sector(
    target: Medium, area: Area, buffer: Buffer, doubt: Doubt
) -> Iterator[tuple[Area, memoryview | None]]:
    """Read sector by sector where a larger read failed. Raises Gone once nothing reads: that is no mismatch."""
    failures = 0
    for sector in pieces(area, target.sector_bytes):
        _, error = read_fully(target, sector, buffer)
        failures = 0 if error is None else failures + 1
        if error is not None:
            _raise_unless_of_medium(target, error)
            if failures % FAILURES_BEFORE_DOUBT == 0 and not doubt.still_reads([Area.between(0, area.offset)], buffer):
                raise Gone(f"{target.path} no longer reads anything: it has dropped off the bus, or it has failed")
        yield sector, None if error is not None else buffer.view[: sector.length]


def _raise_unless_of_medium(target: Medium, error: OSError) -> None:
    """Raise where a failed read is not the medium's fault."""
    if blame(error) == "own":
        problem = f"reading back failed on this machine's side: {error.strerror or error}"
        raise Interrupted(problem, location=target.path) from error
    if blame(error) == "transport":
        raise Gone(f"{target.path} can no longer be reached: {error.strerror or error}") from error
    require_present(target)
