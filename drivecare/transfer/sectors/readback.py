"""Reading a target back: once, in order, from its first byte to its last, past the host's cache."""

from __future__ import annotations

import hashlib
import zlib
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass

from drivecare.errors import Interrupted
from drivecare.transfer.areas import Area, area, merge, pieces
from drivecare.transfer.medium import Buffer, Gone, Medium, Progress, Watch, blame
from drivecare.transfer.sectors.fill import fill_bytes
from drivecare.transfer.sectors.liveness import FAILURES_BEFORE_DOUBT, Doubt
from drivecare.transfer.sectors.pipeline import READER_PATIENCE_SECONDS, Background
from drivecare.transfer.sectors.receipt import Digest, ReadBackMethod
from drivecare.transfer.sectors.whole_transfers import read_fully

_PAGE = 4096
_ZERO_PAGE = bytes(_PAGE)
_SAMPLES = 8  # pages of a block that are tried for randomness
# Random bytes do not get smaller; off 4 KiB that hold anything else, deflate takes more than this. Our judgement.
_RANDOM_ABOVE_BYTES = _PAGE - 16

Read = tuple[int, OSError | None]


@dataclass(frozen=True, slots=True)
class Expected:
    """What a part must hold: bytes of this digest, or the fill (None). A part never crosses a chunk boundary."""

    where: Area
    digest: bytes | None


@dataclass(slots=True)
class ReadBack:
    """What a read-back found. `whole` and chunks are None where not everything in them could be read."""

    method: ReadBackMethod
    whole: str | None
    chunks: tuple[str | None, ...]
    mismatched: tuple[Area, ...]
    unreadable: tuple[Area, ...]
    zero_fraction: float
    looks_random: bool

    @property
    def agrees(self) -> bool:
        """Whether every byte was read and was what it had to be."""
        return not self.mismatched and not self.unreadable


def read_back(
    target: Medium,
    expected: Iterable[Expected],
    *,
    bytes_total: int,
    chunk_bytes: int,
    buffers: tuple[Buffer, ...],
    watch: Watch,
) -> ReadBack:
    """Read bytes 0..bytes_total of the target and compare. Raises Gone, Stuck, Interrupted."""
    method = target.bypass_cache()
    reader: Background[Read] = Background(overlap=watch.overlap, threads=2)
    whole: Background[None] = Background(overlap=watch.overlap)
    parts: Background[None] = Background(overlap=watch.overlap)
    sums, comparison, content = hashlib.sha256(), _Comparison(expected, chunk_bytes, bytes_total), _Content()
    try:
        for where, view in _in_order(target, bytes_total, buffers, reader, watch):
            compared = parts.do(lambda where=where, view=view: comparison.add(where, view))  # type: ignore[misc]
            if view is not None:
                summed = whole.do(lambda view=view: sums.update(view))  # type: ignore[misc]
                content.add(view)
                summed.result()
            compared.result()
            watch.on_progress(Progress("reading back", where.end, bytes_total, comparison.bad_bytes))
            watch.raise_if_stopped()
    finally:
        reader.close(wait=False)
        whole.close()
        parts.close()
    if not target.is_present():
        raise Gone(f"{target.path} is no longer there as it was")
    return ReadBack(
        method=method,
        whole=None if comparison.unread else sums.hexdigest(),
        chunks=tuple(comparison.chunks),
        mismatched=merge(comparison.mismatched),
        unreadable=merge(comparison.unread),
        zero_fraction=content.zero_fraction,
        looks_random=content.looks_random,
    )


def proven(proof: ReadBack, chunk_bytes: int) -> Digest:
    """The digests of a receipt, from a read-back in which everything agreed."""
    return Digest(whole=proof.whole, chunk_bytes=chunk_bytes, chunks=proof.chunks)


def _in_order(
    target: Medium, bytes_total: int, buffers: tuple[Buffer, ...], reader: Background[Read], watch: Watch
) -> Generator[tuple[Area, memoryview | None]]:
    """The target's bytes from first to last, read ahead; None where they could not be read, to the sector.

    A view is valid until the next is asked for.
    """
    areas = pieces(area(0, bytes_total), len(buffers[0].view))
    coming: deque[tuple[Area, Buffer, Future[Read]]] = deque()
    free, doubt = list(buffers), Doubt(target)
    while True:
        while free and (where := next(areas, None)) is not None:
            buffer = free.pop()
            coming.append((where, buffer, reader.do(lambda at=where, into=buffer: read_fully(target, at, into))))  # type: ignore[misc]
        if not coming:
            return
        where, buffer, reading = coming.popleft()
        done, error = _result(reading, watch)
        if done:
            yield area(where.offset, where.offset + done), buffer.view[:done]
        if error is not None:
            _judge(target, error)
            yield from _carefully(target, area(where.offset + done, where.end), buffer, doubt)
        free.append(buffer)


def _result(reading: Future[Read], watch: Watch) -> Read:
    """What was read; a read that hangs does not keep us once we are asked to stop."""
    while True:
        try:
            return reading.result(timeout=READER_PATIENCE_SECONDS)
        except TimeoutError:
            watch.raise_if_stopped()


def _carefully(target: Medium, where: Area, buffer: Buffer, doubt: Doubt) -> Iterator[tuple[Area, memoryview | None]]:
    """Sector by sector where a larger read failed. Raises Gone where nothing reads any more: that is no mismatch."""
    failures = 0
    for sector in pieces(where, target.sector_bytes):
        _, error = read_fully(target, sector, buffer)
        failures = 0 if error is None else failures + 1
        if error is not None:
            _judge(target, error)
            if failures % FAILURES_BEFORE_DOUBT == 0 and not doubt.still_reads([area(0, where.offset)], buffer):
                raise Gone(f"{target.path} no longer reads anything: it has dropped off the bus, or it has failed")
        yield sector, None if error is not None else buffer.view[: sector.length]


def _judge(target: Medium, error: OSError) -> None:
    """Raise where a failed read is not the medium's fault."""
    if blame(error) == "own":
        what = f"reading back failed on this machine's side: {error.strerror or error}"
        raise Interrupted(what, location=target.path) from error
    if blame(error) == "transport" or not target.is_present():
        raise Gone(f"{target.path} is no longer there as it was") from error


class _Comparison:
    """Goes along the expected parts and the chunks while bytes arrive in order."""

    def __init__(self, expected: Iterable[Expected], chunk_bytes: int, bytes_total: int) -> None:
        self.chunks: list[str | None] = []
        self.mismatched: list[Area] = []
        self.unread: list[Area] = []
        self._expected = iter(expected)
        self._chunk_bytes, self._total = chunk_bytes, bytes_total
        self._part = next(self._expected, None)
        self._part_sum, self._chunk_sum = hashlib.sha256(), hashlib.sha256()
        self._part_lost = self._chunk_lost = self._fill_differs = False

    @property
    def bad_bytes(self) -> int:
        return sum(one.length for one in self.mismatched) + sum(one.length for one in self.unread)

    def add(self, where: Area, view: memoryview | None) -> None:
        for piece in self._cut(where):
            if view is None:
                self.unread.append(piece)
                self._part_lost = self._chunk_lost = True
            else:
                self._take(piece, view[piece.offset - where.offset : piece.end - where.offset])
            if self._part is not None and piece.end == self._part.where.end:
                self._judge(self._part)
            if piece.end % self._chunk_bytes == 0 or piece.end == self._total:
                self._end_chunk()

    def _cut(self, where: Area) -> Iterator[Area]:
        """`where` cut at the ends of chunks and parts."""
        for piece in pieces(where, self._chunk_bytes):
            position = piece.offset
            while position < piece.end:
                end = piece.end if self._part is None else min(piece.end, self._part.where.end)
                yield area(position, end)
                position = end

    def _take(self, piece: Area, data: memoryview) -> None:
        if self._part is None:
            return
        if self._part.digest is None:
            self._fill_differs = self._fill_differs or bytes(data) != fill_bytes(piece)
        else:
            self._part_sum.update(data)
        if not self._is_chunk(self._part):
            self._chunk_sum.update(data)

    def _is_chunk(self, part: Expected) -> bool:
        """Whether the part is a whole chunk with a digest, so that one sum serves both."""
        offset, length = part.where.offset, part.where.length
        whole = length == self._chunk_bytes or offset + length == self._total
        return whole and offset % self._chunk_bytes == 0 and part.digest is not None

    def _judge(self, part: Expected) -> None:
        agrees = not self._fill_differs if part.digest is None else self._part_sum.digest() == part.digest
        if not agrees and not self._part_lost:
            self.mismatched.append(part.where)
        if self._is_chunk(part):
            self._chunk_sum = self._part_sum
        self._part_sum = hashlib.sha256()
        self._part_lost = self._fill_differs = False
        self._part = next(self._expected, None)

    def _end_chunk(self) -> None:
        self.chunks.append(None if self._chunk_lost else self._chunk_sum.hexdigest())
        self._chunk_sum, self._chunk_lost = hashlib.sha256(), False


class _Content:
    """How much of what passes is zero, and whether it all looks like chance."""

    def __init__(self) -> None:
        self._pages = self._zero = self._sampled = self._random = 0

    def add(self, view: memoryview) -> None:
        pages = range(0, len(view), _PAGE)
        self._pages += len(pages)
        self._zero += sum(_is_zero(view[at : at + _PAGE]) for at in pages if not view[at])
        whole_pages = len(view) // _PAGE
        for page in range(0, whole_pages, max(1, whole_pages // _SAMPLES)):
            self._sampled += 1
            self._random += len(zlib.compress(view[page * _PAGE : (page + 1) * _PAGE], 1)) > _RANDOM_ABOVE_BYTES

    @property
    def zero_fraction(self) -> float:
        """The share of 4 KiB pages that hold nothing but zeros, rounded so that only all is 1 and only none is 0."""
        if not self._pages:
            return 0.0
        if self._zero in (0, self._pages):
            return float(self._zero == self._pages)
        return min(max(round(self._zero / self._pages, 6), 1e-6), 1 - 1e-6)

    @property
    def looks_random(self) -> bool:
        """Whether nothing is zero and nearly every sample could be chance: encrypted, or locked behind a key."""
        return self._sampled > 0 and self._zero * 1000 < self._pages and self._random * 1000 >= self._sampled * 995


def _is_zero(page: memoryview) -> bool:
    return bytes(page) == _ZERO_PAGE[: len(page)]
