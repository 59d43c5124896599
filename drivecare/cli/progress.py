"""Progress bars: the only file that knows tqdm. They stand on stderr and vanish where that is no terminal."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any, NoReturn

if TYPE_CHECKING:
    from tqdm import tqdm


class ByteBars:
    """A callable (phase, bytes done, bytes in all): one bar a phase, with the rate and the time left."""

    def __init__(self) -> None:
        self._phase: str | None = None
        self._bar: tqdm[Any] | None = None

    def __call__(self, phase: str, done: int, total: int) -> None:
        """Move the phase's bar to `done`; a new phase closes the last one's bar."""
        if phase != self._phase:
            from tqdm import tqdm

            self.close()
            self._phase = phase
            self._bar = tqdm(
                desc=phase, total=total, unit="B", unit_scale=True, unit_divisor=1000, disable=None, dynamic_ncols=True
            )
        assert self._bar is not None
        self._bar.total = total
        self._bar.update(done - self._bar.n)

    def close(self) -> None:
        """Leave the last bar as it stands."""
        if self._bar is not None:
            self._bar.close()

    def __enter__(self) -> ByteBars:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


@contextmanager
def stop_on_signals() -> Iterator[None]:
    """Let SIGTERM and SIGHUP end the work as Ctrl-C does: in order, with the journal closed."""

    def stop(_number: int, _frame: FrameType | None) -> NoReturn:
        raise KeyboardInterrupt

    former = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in former.items():
            signal.signal(number, handler)
