"""How a long run is followed: a bar on stderr, and an orderly stop when a signal asks for it."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from drivecare.cli.terminal import is_quiet, notify, progress_bar, ring_bell, stderr_is_terminal

if TYPE_CHECKING:
    from tqdm import tqdm

    from drivecare.transfer.medium import Progress, Watch

Reason = Callable[[], str | None]


@contextmanager
def followed(*reasons: Reason) -> Iterator[Watch]:
    """Follow a long run: bars that vanish if stderr is not a terminal, and a reason to stop.

    The run stops in good order, its journal closed, at SIGINT, SIGTERM or SIGHUP, or when one of `reasons` gives one.
    """
    from drivecare.transfer.medium import Watch

    asked: list[str] = []

    def take(number: int, _frame: object) -> None:
        asked.append(f"stopped by {signal.Signals(number).name}")

    def stop() -> str | None:
        return asked[0] if asked else next(filter(None, (reason() for reason in reasons)), None)

    bars = _Bars()
    former = {number: signal.signal(number, take) for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
    try:
        yield Watch(on_progress=bars, notify=notify, stop_reason=stop)
    finally:
        bars.close()
        if bars.drawn:
            ring_bell()
        for number, handler in former.items():
            signal.signal(number, handler)


class _Bars:
    """One bar per phase, with the rate and the time left."""

    def __init__(self) -> None:
        self._phase: str | None = None
        self._bar: tqdm[Any] | None = None

    def __call__(self, progress: Progress) -> None:
        """Move the phase's bar; a new phase closes the last one's."""
        if (
            is_quiet() or not stderr_is_terminal()
        ):  # tqdm would be silent too, but importing it takes a tenth of a short copy
            return
        if progress.phase != self._phase:
            self.close()
            self._phase = progress.phase
            unit = progress.unit if progress.unit == "B" else f" {progress.unit}"
            self._bar = progress_bar(progress.phase, unit=unit, unit_scale=True, unit_divisor=1000, dynamic_ncols=True)
        assert self._bar is not None
        self._bar.total = progress.total or None
        self._bar.update(progress.done - self._bar.n)

    @property
    def drawn(self) -> bool:
        """Whether anything was shown: a run that was refused at once did not begin."""
        return self._phase is not None

    def close(self) -> None:
        """Leave the last bar as it stands."""
        if self._bar is not None:
            self._bar.close()
