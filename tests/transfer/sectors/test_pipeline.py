"""A reader that runs ahead: its end, its error, and a read that never returns."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from drivecare.errors import Interrupted
from drivecare.transfer.sectors import pipeline
from drivecare.transfer.sectors.pipeline import FreeBuffers, read_ahead


def test_a_reader_left_behind_is_an_interruption_not_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    """All that was read ahead is consumed when the stop is asked for, and the next read hangs."""
    monkeypatch.setattr(pipeline, "READER_PATIENCE_SECONDS", 0.0)
    drive_answers = threading.Event()

    def reads() -> Iterator[int]:
        yield 1
        drive_answers.wait()
        yield 2

    events = read_ahead(reads(), FreeBuffers(()), lambda: "stopped by SIGINT")
    assert next(events) == 1
    try:
        with pytest.raises(Interrupted, match="stopped by SIGINT"):
            next(events)
    finally:
        drive_answers.set()


@pytest.mark.parametrize(("reason", "is_left"), [(None, False), ("stopped by SIGINT", True)])
def test_only_where_there_is_a_reason_to_stop_is_a_reader_left_behind(
    monkeypatch: pytest.MonkeyPatch, reason: str | None, is_left: bool
) -> None:
    """Whoever stops for another reason may use its buffers again."""
    monkeypatch.setattr(pipeline, "READER_PATIENCE_SECONDS", 0.0)
    drive_answers, ended = threading.Event(), threading.Event()

    def reads() -> Iterator[int]:
        yield 1
        drive_answers.wait(timeout=0.5)
        ended.set()
        yield 2

    events = read_ahead(reads(), FreeBuffers(()), lambda: reason)
    next(events)
    events.close()
    assert ended.is_set() != is_left
    drive_answers.set()


def test_the_end_and_an_error_come_in_their_turn() -> None:
    assert list(read_ahead(iter((1, 2)), FreeBuffers(()), lambda: None)) == [1, 2]

    def reads() -> Iterator[int]:
        yield 1
        raise OSError("bad sector")

    events = read_ahead(reads(), FreeBuffers(()), lambda: None)
    assert next(events) == 1
    with pytest.raises(OSError, match="bad sector"):
        next(events)
