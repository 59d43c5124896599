"""Doing things at the same time: a source that reads ahead, digests in a thread of their own, and buffers between."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Generic, TypeVar

from drivecare.errors import Interrupted
from drivecare.transfer.medium import Buffer

T = TypeVar("T")

# How long a reader may take to come to an end once it was asked to stop, before it is left behind.
READER_PATIENCE_SECONDS = 5.0


class Abandoned(Exception):
    """The consumer has left; the reader behind it ends."""


class FreeBuffers:
    """A fixed number of buffers: whoever takes one waits until one is free. So memory is constant."""

    def __init__(self, buffers: Sequence[Buffer]) -> None:
        self._free: queue.SimpleQueue[Buffer | None] = queue.SimpleQueue()
        for buffer in buffers:
            self._free.put(buffer)

    def take(self) -> Buffer:
        """A free buffer. Raises Abandoned once `abandon` was called."""
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


def read_ahead(events: Iterator[T], buffers: FreeBuffers, stop: Callable[[], str | None]) -> Generator[T]:
    """The same events, made in a thread that runs ahead as far as there are buffers.

    An exception of the thread is raised here, in its turn. Raises Interrupted where `stop` gives a reason and the
    thread does not come to an end (a read that hangs); it is left behind.
    """
    made: queue.SimpleQueue[T | BaseException | None] = queue.SimpleQueue()

    def run() -> None:
        try:
            for event in events:
                made.put(event)
            made.put(None)
        except Abandoned:
            pass
        except BaseException as error:  # handed over, not handled
            made.put(error)

    thread = threading.Thread(target=run, name="drivecare-reader", daemon=True)
    thread.start()
    waited = 0.0
    try:
        while True:
            try:
                event = made.get(timeout=0.25)
            except queue.Empty:
                waited += 0.25
                if waited > READER_PATIENCE_SECONDS and (reason := stop()) is not None:
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


class Background(Generic[T]):
    """A thread, or some, for one kind of work, begun in the order given; or none, and each job is done at once."""

    def __init__(self, *, overlap: bool, threads: int = 1) -> None:
        self._pool = ThreadPoolExecutor(max_workers=threads) if overlap else None

    def do(self, work: Callable[[], T]) -> Future[T]:
        """Start `work`; its result or exception is in the future."""
        if self._pool is not None:
            return self._pool.submit(work)
        future: Future[T] = Future()
        try:
            future.set_result(work())
        except BaseException as error:  # what a thread would do, too
            future.set_exception(error)
        return future

    def close(self, *, wait: bool = True) -> None:
        """Finish what was started; without `wait` leave it behind."""
        if self._pool is not None:
            self._pool.shutdown(wait=wait, cancel_futures=not wait)
