"""Reading, hashing and writing at the same time: a reader that runs ahead, background work, and the buffers between."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Generic, TypeVar

from drivecare.errors import Interrupted
from drivecare.transfer.medium import Buffer

Produced = TypeVar("Produced")

# How long a reader may take to end once it was asked to stop; then it is left behind.
READER_PATIENCE_SECONDS = 5.0
_GLANCE_SECONDS = 0.25  # how often a reader that has not come back is looked at


class Abandoned(Exception):
    """The consumer has left; the reader behind it ends."""


class FreeBuffers:
    """A fixed number of buffers: whoever takes one waits until one is free. So memory is constant."""

    def __init__(self, buffers: Sequence[Buffer]) -> None:
        self._free: queue.SimpleQueue[Buffer | None] = queue.SimpleQueue()
        for buffer in buffers:
            self._free.put(buffer)

    def take(self) -> Buffer:
        """Wait for a free buffer. Raises Abandoned once `abandon` was called."""
        buffer = self._free.get()
        if buffer is None:
            self._free.put(None)
            raise Abandoned
        return buffer

    def give(self, buffer: Buffer) -> None:
        """Hand a buffer back."""
        self._free.put(buffer)

    def abandon(self) -> None:
        """Wake whoever waits for a buffer; nobody gets one any more."""
        while not self._free.empty():
            self._free.get()
        self._free.put(None)


def read_ahead(
    events: Iterator[Produced], buffers: FreeBuffers, stop_reason: Callable[[], str | None]
) -> Generator[Produced]:
    """The same events, produced by a thread that runs ahead as far as there are buffers.

    An exception of the thread is raised here, in its turn. The thread has ended when this has, so that no late read
    lands in a buffer that is in use again; but where there is a reason to stop, one that does not end (a read that
    hangs) is left behind. Raises Interrupted then.
    """
    produced: queue.SimpleQueue[Produced | BaseException | None] = queue.SimpleQueue()

    def produce() -> None:
        try:
            for event in events:
                produced.put(event)
            produced.put(None)
        except Abandoned:
            pass
        except BaseException as error:  # handed over, not handled
            produced.put(error)

    thread = threading.Thread(target=produce, name="drivecare-reader", daemon=True)
    thread.start()
    waited = 0.0
    try:
        while True:
            try:
                event = produced.get(timeout=_GLANCE_SECONDS)
            except queue.Empty:
                waited += _GLANCE_SECONDS
                if waited > READER_PATIENCE_SECONDS and (reason := stop_reason()) is not None:
                    raise Interrupted(reason) from None
                continue
            waited = 0.0
            if event is None:
                return
            if isinstance(event, BaseException):
                raise event
            yield event
    finally:
        buffers.abandon()
        thread.join(timeout=READER_PATIENCE_SECONDS)
        while thread.is_alive() and stop_reason() is None:
            thread.join(timeout=_GLANCE_SECONDS)


class Background(Generic[Produced]):
    """Threads for one kind of work, begun in the order submitted; without `overlap`, none: all is done at once."""

    def __init__(self, *, overlap: bool, threads: int = 1) -> None:
        self._pool = ThreadPoolExecutor(max_workers=threads) if overlap else None

    def submit(self, work: Callable[[], Produced]) -> Future[Produced]:
        """Start `work`; its result or exception is in the future."""
        if self._pool is not None:
            return self._pool.submit(work)
        future: Future[Produced] = Future()
        try:
            future.set_result(work())
        except BaseException as error:  # as a thread would
            future.set_exception(error)
        return future

    def close(self, *, wait: bool = True) -> None:
        """Finish what was started; without `wait`, leave it behind."""
        if self._pool is not None:
            self._pool.shutdown(wait=wait, cancel_futures=not wait)
