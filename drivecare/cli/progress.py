"""How a long run is followed: a bar on stderr, and an orderly stop when a signal asks for it."""

from __future__ import annotations

import math
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from drivecare.cli.terminal import clip_line, is_quiet, notify, progress_bar, ring_bell, stderr_is_terminal
from drivecare.format import format_bytes, format_minutes

if TYPE_CHECKING:
    from tqdm import tqdm

    from drivecare.transfer.medium import Progress, Watch

Reason = Callable[[], str | None]

_BAR_OF_DAMAGED = "{desc}: {percentage:3.0f}%|{bar}| {n_fmt} of {total_fmt} safe [{elapsed}, {rate_fmt}]"


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
        yield Watch(on_progress=bars, notify=bars.notify, stop_reason=stop)
    finally:
        bars.close()
        if bars.drawn:
            ring_bell()
        for number, handler in former.items():
            signal.signal(number, handler)


class _Bars:
    """One bar per phase."""

    def __init__(self) -> None:
        self._bar: _PhaseBar | None = None

    def __call__(self, progress: Progress) -> None:
        """Move the phase's bar; a new phase closes the last one's."""
        if (
            is_quiet() or not stderr_is_terminal()
        ):  # tqdm would be silent too, but importing it takes a tenth of a short copy
            return
        if self._bar is None or progress.phase != self._bar.phase:
            self.close()
            self._bar = _PhaseBar(progress.phase, progress.unit)
        self._bar.move(progress)

    @property
    def drawn(self) -> bool:
        """Whether anything was shown: a run that was refused at once did not begin."""
        return self._bar is not None

    def notify(self, sentence: str) -> None:
        """Print a line of its own, above the bar."""
        if self._bar is not None:
            self._bar.clear()
        notify(sentence)

    def close(self) -> None:
        """Leave the last bar as it stands."""
        if self._bar is not None:
            self._bar.close()


class _PhaseBar:
    """A bar with the rate and the time left; once a source shows damage, below it what is to be expected of that."""

    def __init__(self, phase: str, unit: str) -> None:
        from drivecare.transfer.outlook import Outlook

        self.phase = phase
        self._outlook = Outlook()
        unit = unit if unit == "B" else f" {unit}"
        self._bar = progress_bar(phase, unit=unit, unit_scale=True, unit_divisor=1000, dynamic_ncols=True)
        self._words: tqdm[Any] | None = None

    def move(self, progress: Progress) -> None:
        """Show how far it is. The time left of the bar itself is that of a sound drive."""
        self._outlook.add(time.monotonic(), progress)
        if progress.doubtful and self._words is None:
            self._bar.bar_format = _BAR_OF_DAMAGED
            self._words = progress_bar("", bar_format="{desc}", position=1, leave=False)
        self._bar.total = progress.total or None
        self._bar.update(progress.done - self._bar.n)
        if self._words is not None:
            self._words.desc = clip_line(describe_damage(progress, self._outlook.seconds_left(progress)))
            self._words.update()

    @property
    def _lines(self) -> list[tqdm[Any]]:
        return [self._bar] if self._words is None else [self._words, self._bar]

    def clear(self) -> None:
        """Make room for a line; the next move draws the bar again."""
        for line in self._lines:
            line.clear()

    def close(self) -> None:
        """Leave the bar as it stands, without what was expected."""
        for line in self._lines:
            line.close()


def describe_damage(progress: Progress, seconds_left: tuple[float, float] | None) -> str:
    """Say what of a damaged drive still promises to come, what is doubtful, and when 99 % are safe as it looks."""
    amounts = f"promising {format_bytes(progress.promising)}, doubtful {format_bytes(progress.doubtful)}"
    if seconds_left is None:
        return amounts
    if seconds_left[1] == 0:
        return f"{amounts}; more than 99 % safe"
    return f"{amounts}; 99 % safe in {_format_range(*seconds_left)}"


def _format_range(least: float, most: float) -> str:
    """Format two durations, the unit once where it is one: "2 to 3 min so far", "16 min at the earliest"."""
    shortest = format_minutes(max(least / 60, 1))
    if most == math.inf:
        return f"{shortest} at the earliest"
    longest = format_minutes(max(most / 60, 1))
    number, unit = shortest.split()
    if shortest == longest:
        return f"{longest} so far"
    return f"{number if longest.endswith(unit) else shortest} to {longest} so far"
