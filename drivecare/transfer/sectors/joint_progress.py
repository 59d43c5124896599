"""One report of what several targets of a copy do at the same time."""

from __future__ import annotations

import threading
from dataclasses import replace
from functools import partial

from drivecare.transfer.medium import Progress, Watch


def joint_watches(watch: Watch, count: int) -> list[Watch]:
    """A watch for each target; what they report of one phase goes to `watch` as one, their bytes added up."""
    if count == 1:
        return [watch]
    latest: dict[int, Progress] = {}
    turn = threading.Lock()

    def report(number: int, progress: Progress) -> None:
        with turn:
            latest[number] = progress
            parts = [part for part in latest.values() if part.phase == progress.phase]
            done, total = sum(part.done for part in parts), sum(part.total for part in parts)
            watch.on_progress(Progress(progress.phase, done, total))

    return [replace(watch, on_progress=partial(report, number)) for number in range(count)]
