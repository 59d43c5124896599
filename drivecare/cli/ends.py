"""Long lists on a screen: the first and the last few, and how many stand between. The whole is in the document."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Generic, TypeVar

FIRST, LAST = 9, 3

T = TypeVar("T")


class Ends(Generic[T]):
    """Takes any number of things and keeps the first and the last few."""

    def __init__(self, things: Iterable[T] = ()) -> None:
        self.count = 0
        self._first: list[T] = []
        self._last: deque[T] = deque(maxlen=LAST)
        for thing in things:
            self.add(thing)

    def add(self, thing: T) -> None:
        """One more at the end."""
        self.count += 1
        if len(self._first) < FIRST:
            self._first.append(thing)
        else:
            self._last.append(thing)

    def lines(self, say: Callable[[T], str], what: str) -> Iterator[str]:
        """A line for each that is kept, and one for those between: "... 488 more areas, all in the receipt"."""
        yield from map(say, self._first)
        between = self.count - len(self._first) - len(self._last)
        if between:
            yield f"... {between:,} more {what}"
        yield from map(say, self._last)
