"""A drive's own self-test: start it, follow it, say how it ended. The drive does the work; we only ask."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Literal

from drivecare.documents import Value
from drivecare.errors import BadInput, DriveCareError, NoDrive, Unavailable
from drivecare.hardware.clock import Clock
from drivecare.hardware.smart import refused
from drivecare.hardware.smart_port import Backend
from drivecare.reading.decode import decode_report
from drivecare.reading.logs import selftest_remaining_percent
from drivecare.reading.model import Drive, Reading, SelfTest
from drivecare.shell import spell_path

Kind = Literal["short", "extended"]
State = Literal["running", "passed", "failed", "not-judged", "stopped"]

_LETTERS = {"short": "short", "extended": "long"}  # our word, the backend's
_QUESTION = ("-i", "-c", "-l", "selftest")
_SECONDS = 60.0

KEEP_AWAKE = (
    "Something put the drive to sleep or reset it; many docks do so after some idle minutes. Use a native port or "
    "switch the dock's idle timer off, leave the drive alone, and start the test again."
)


class Following(Value, frozen=True, kw_only=True):
    """How far a running test is, in the drive's own steps; `minutes_left` by its own estimate, None without one."""

    remaining_percent: int
    minutes_left: float | None = None


class SelfTestReport(Value, frozen=True, kw_only=True):
    """The document of `drivecare selftest`. `result` is the drive's log entry; `state` is what it means here.

    `failed`: the drive found a fault. `not-judged`: it ended without a verdict, `advice` says what to do.
    """

    schema: Literal["drivecare/selftest-1"] = "drivecare/selftest-1"
    path: str
    drive: Drive
    kind: Kind
    state: State
    started_at: str | None = None  # None: it was running already
    finished_at: str | None = None
    remaining_percent: int | None = None
    result: SelfTest | None = None
    advice: str | None = None


class Session:
    """One drive's self-test: `start`, then `follow` until it has ended, or `stop`."""

    def __init__(self, backend: Backend, clock: Clock, path: str, transport: str | None, kind: Kind) -> None:
        self._backend = backend
        self._clock = clock
        self._path = path
        self._how = ("-d", transport) if transport else ()
        self._kind: Kind = kind
        self._started_at: str | None = None
        self._minutes: float | None = None
        self._before: tuple[SelfTest, ...] = ()
        self._last = self._look()

    @property
    def running(self) -> bool:
        """Whether a test was going on when last looked at."""
        return selftest_remaining_percent(self._last.raw.text) is not None

    def start(self) -> None:
        """Start the test. Raises Unavailable where the drive has none or refuses; BadInput while another one runs."""
        if self.running:
            raise BadInput("runs a self-test already", location=self._path)
        self._before = self._last.selftests
        text = self._ask("-t", _LETTERS[self._kind])
        waits = re.search(r"[Pp]lease wait ([\d.]+) (minutes|seconds)", text)
        if waits is None and not re.search(r"test has begun|Self[- ][Tt]est.*(begun|started)", text):
            raise Unavailable("does not start a self-test", location=self._path, hint=_why_not(text))
        if waits is not None:
            self._minutes = float(waits[1]) / (1 if waits[2] == "minutes" else 60)
        self._started_at = self._stamp()

    def follow(self, progress: Callable[[Following], None]) -> SelfTestReport:
        """Wait for the end of the test and judge it; `progress` is told every change.

        A drive that is lost on the way, or whose test stands still for an hour, ends as not judged.
        """
        pause = min(60.0, max(2.0, (self._minutes or 2) * 60 / 50))
        shown, since = None, self._clock.now()
        while True:
            try:
                self._last = self._look()
            except DriveCareError as error:
                lost = f"The drive was lost while testing ({error.problem})."
                advice = f"{lost} Check cable, port and power, then start again."
                return self._report("not-judged", advice=advice)
            remaining = selftest_remaining_percent(self._last.raw.text)
            if remaining is None:
                return self._judge()
            if remaining != shown:
                shown, since = remaining, self._clock.now()
            stands_still = (self._clock.now() - since).total_seconds()
            left = None if self._minutes is None else max(self._minutes * remaining / 100 - stands_still / 60, 0)
            progress(Following(remaining_percent=remaining, minutes_left=left))
            if stands_still > max(3600.0, (self._minutes or 0) * 60):
                advice = f"The test has stood at {remaining} % remaining for an hour. Stop it and read the drive again."
                return self._report("not-judged", remaining=remaining, advice=advice)
            self._clock.sleep(pause)

    def left_running(self) -> SelfTestReport:
        """The report when nobody waits for the end."""
        return self._report(
            "running",
            remaining=selftest_remaining_percent(self._last.raw.text),
            advice=f"It goes on inside the drive. Pick it up: drivecare selftest {self._path}",
        )

    def stop(self) -> SelfTestReport:
        """Abort the running test. Raises Unavailable where the drive does not obey."""
        self._ask("-X")
        self._last = self._look()
        if self.running:
            raise Unavailable("goes on with its test", location=self._path, hint="Switch the dock off and on.")
        return self._report("stopped")

    def _judge(self) -> SelfTestReport:
        newest = self._last.values.last_selftest
        if newest is None or (self._started_at is not None and self._last.selftests == self._before != ()):
            advice = (
                "The drive logged no result. Start the test again; if it stays silent, judge by `drivecare assess`."
            )
            return self._report("not-judged", advice=advice)
        if newest.result == "passed":
            return self._report("passed", result=newest)
        if newest.result in ("aborted", "interrupted", "running", "unknown"):
            return self._report("not-judged", result=newest, advice=KEEP_AWAKE)
        advice = "The drive found a fault in itself. See what it means: drivecare assess " + self._path
        return self._report("failed", result=newest, advice=advice)

    def _look(self) -> Reading:
        text = self._ask(*_QUESTION)
        try:
            return decode_report(text, read_at=self._stamp(), path=self._path)
        except NoDrive as error:
            hint = "Use a native port or another dock; --transport names a way through a bridge."
            raise Unavailable("takes no self-test over this connection", location=self._path, hint=hint) from error

    def _ask(self, *question: str) -> str:
        answer = self._backend.ask((*question, *self._how, spell_path(self._path)), limit_seconds=_SECONDS)
        refusal = refused(answer.text, self._path)
        if refusal is not None:
            raise refusal
        if answer.exit_status is None:
            raise Unavailable(f"did not answer within {_SECONDS:.0f} seconds", location=self._path)
        return answer.text

    def _report(
        self, state: State, *, remaining: int | None = None, result: SelfTest | None = None, advice: str | None = None
    ) -> SelfTestReport:
        return SelfTestReport(
            path=self._path,
            drive=self._last.drive,
            kind=self._kind,
            state=state,
            started_at=self._started_at,
            finished_at=None if state == "running" else self._stamp(),
            remaining_percent=remaining,
            result=result,
            advice=advice,
        )

    def _stamp(self) -> str:
        return self._clock.now().isoformat(timespec="seconds")


def _why_not(text: str) -> str:
    """The drive's reason, from what the backend printed last; else the usual one."""
    if re.search(r"not support|unsupported|unavailable|disabled", text, re.I):
        return "The drive or its dock offers no self-test. Scan the surface instead: drivecare readscan."
    words = [
        line.strip() for line in text.splitlines() if line.strip() and not line.startswith(("smartctl", "Copyright"))
    ]
    return f"It said: {words[-1]}" if words else "It gave no reason; try a native port."
