"""The port to the backend that speaks SMART to a drive, and its recorded version for tests and rehearsals."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from drivecare.documents import Value


class BackendAnswer(Value, frozen=True, kw_only=True):
    """What the backend printed and how it ended. `exit_status` None: it did not end in time and was stopped."""

    text: str
    exit_status: int | None = None
    asked: tuple[str, ...] = ()


class Backend(Protocol):
    """Something that takes the backend's arguments and answers with its text, within a time limit."""

    def ask(self, arguments: Sequence[str], *, limit_seconds: float) -> BackendAnswer:
        """Raises Unavailable where the backend itself is missing or cannot be run."""
        ...


@dataclass
class Recorded:
    """A backend that replays answers. The first key whose words all stand among the arguments answers.

    A list is answered in order, its last entry again and again. What was asked is kept in `asked`, so that a test can
    see what was never sent.
    """

    answers: Mapping[str, BackendAnswer | list[BackendAnswer]]
    asked: list[tuple[str, ...]] = field(default_factory=list)

    def ask(self, arguments: Sequence[str], *, limit_seconds: float) -> BackendAnswer:  # noqa: ARG002  the signature of the port
        """The recorded answer; a text that says so where nothing was recorded."""
        self.asked.append(tuple(arguments))
        for key, answer in self.answers.items():
            if set(key.split()) <= set(arguments):
                if isinstance(answer, list):
                    return answer.pop(0) if len(answer) > 1 else answer[0]
                return answer
        return BackendAnswer(
            text=f"nothing was recorded for: {' '.join(arguments)}", exit_status=1, asked=tuple(arguments)
        )
