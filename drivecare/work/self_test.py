"""Let a drive test itself: start it, follow it, say how it ended. What `drivecare selftest` does."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from drivecare.clock import Clock
from drivecare.documents import Value
from drivecare.errors import BadInput, DriveCareError, NoDrive, Unavailable
from drivecare.exit_codes import ExitCode
from drivecare.hardware.smart import backend_refusal, read_drive
from drivecare.hardware.smart_port import Backend
from drivecare.reading.decode import decode_report
from drivecare.reading.logs import selftest_remaining_percent
from drivecare.reading.model import Drive, Reading, SelfTest
from drivecare.record.port import FiledJob
from drivecare.risk.rules import load_rules
from drivecare.shell import spell_path
from drivecare.work import Machine
from drivecare.work.load_guard import refuse_load

SelfTestKind = Literal["short", "extended"]
SelfTestState = Literal["running", "passed", "failed", "not-judged", "stopped"]

_BACKEND_WORDS: dict[SelfTestKind, str] = {"short": "short", "extended": "long"}
_QUESTION = ("-i", "-c", "-l", "selftest")
_ANSWER_SECONDS = 60.0

KEEP_AWAKE = (
    "Something put the drive to sleep or reset it; many docks do so after some idle minutes. Use a native port or "
    "switch the dock's idle timer off, leave the drive alone, and start the test again."
)


class SelfTestProgress(Value, frozen=True, kw_only=True):
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
    kind: SelfTestKind
    state: SelfTestState
    started_at: str | None = None  # None: it was running already
    finished_at: str | None = None
    remaining_percent: int | None = None
    result: SelfTest | None = None
    advice: str | None = None

    @property
    def exit_code(self) -> ExitCode:
        """What the state means; a failure counts as the rules for the newest self-test say."""
        if self.state == "failed":
            return ExitCode.EVACUATE if self._loses_data else ExitCode.REPLACE
        return _EXIT_CODES[self.state]

    @property
    def _loses_data(self) -> bool:
        levels = (level for rule in load_rules().for_drive("last_selftest", self.drive) for level in rule.levels)
        failure = None if self.result is None else self.result.result
        return any(level.equals == failure and level.severity == "evacuate" for level in levels)


_EXIT_CODES: dict[SelfTestState, ExitCode] = {
    "passed": ExitCode.DONE,
    "stopped": ExitCode.DONE,
    "not-judged": ExitCode.UNPROVEN,
    "running": ExitCode.INTERRUPTED,
}


@dataclass(frozen=True, kw_only=True)
class SelfTestRequest:
    """Which drive is to test itself, and how; `stop` ends the test that is running."""

    path: str
    kind: SelfTestKind = "short"
    stop: bool = False
    transport: str | None = None
    allow_load: str | None = None
    folder: FiledJob | None = None


def run_self_test(
    request: SelfTestRequest,
    machine: Machine,
    *,
    notify: Callable[[str], None],
    on_progress: Callable[[SelfTestProgress], None],
) -> SelfTestReport:
    """Start a drive's self-test, or pick up the one that is running, and follow it; Ctrl-C leaves it running.

    Raises Refused where the drive is losing data, Unavailable where it has no self-test or cannot be asked.
    """
    reading = read_drive(request.path, transport=request.transport, machine=machine)
    # The transport that answered, where it had to be found behind a bridge.
    transport = request.transport or (reading.transport if reading.bridge else None)
    session = SelfTestSession(machine.backend(), machine.clock, request.path, transport, request.kind)
    if request.stop:
        return session.stop()
    if session.running:
        notify("a self-test is running already; following it")
    else:
        refuse_load(reading, "a self-test", allow_load=request.allow_load, folder=request.folder)
        session.start()
    try:
        return session.follow(on_progress)
    except KeyboardInterrupt:
        return session.left_running()


class SelfTestSession:
    """One drive's self-test: `start`, then `follow` until it has ended, or `stop`."""

    def __init__(self, backend: Backend, clock: Clock, path: str, transport: str | None, kind: SelfTestKind) -> None:
        self._backend = backend
        self._clock = clock
        self._path = path
        self._options = ("-d", transport) if transport else ()
        self._kind: SelfTestKind = kind
        self._started_at: str | None = None
        self._minutes: float | None = None
        self._earlier_tests: tuple[SelfTest, ...] = ()
        self._reading = self._look()

    @property
    def running(self) -> bool:
        """Whether a test was running when the drive was last asked."""
        return selftest_remaining_percent(self._reading.raw.text) is not None

    def start(self) -> None:
        """Start the test. Raises Unavailable where the drive has none or refuses; BadInput while another one runs."""
        if self.running:
            raise BadInput("is already running a self-test", location=self._path)
        self._earlier_tests = self._reading.selftests
        text = self._ask("-t", _BACKEND_WORDS[self._kind])
        wait = re.search(r"[Pp]lease wait ([\d.]+) (minutes|seconds)", text)
        if wait is None and not re.search(r"test has begun|Self[- ][Tt]est.*(begun|started)", text):
            raise Unavailable("does not start a self-test", location=self._path, hint=_explain_refusal(text))
        if wait is not None:
            self._minutes = float(wait[1]) / (1 if wait[2] == "minutes" else 60)
        self._started_at = self._stamp()

    def follow(self, on_progress: Callable[[SelfTestProgress], None]) -> SelfTestReport:
        """Wait for the end of the test and judge it; `on_progress` is called at every look.

        A drive that is lost on the way, or whose test stands still for an hour, ends as not judged.
        """
        pause = min(60.0, max(2.0, (self._minutes or 2) * 60 / 50))
        last_remaining, changed_at = None, self._clock.now()
        while True:
            try:
                self._reading = self._look()
            except DriveCareError as error:
                lost = f"The drive was lost while testing ({error.problem})."
                advice = f"{lost} Check cable, port and power, then start again."
                return self._report("not-judged", advice=advice)
            remaining = selftest_remaining_percent(self._reading.raw.text)
            if remaining is None:
                return self._judge()
            if remaining != last_remaining:
                last_remaining, changed_at = remaining, self._clock.now()
            unchanged_seconds = (self._clock.now() - changed_at).total_seconds()
            left = None if self._minutes is None else max(self._minutes * remaining / 100 - unchanged_seconds / 60, 0)
            on_progress(SelfTestProgress(remaining_percent=remaining, minutes_left=left))
            if unchanged_seconds > max(3600.0, (self._minutes or 0) * 60):
                advice = f"The test has stood at {remaining} % remaining for an hour. Stop it and read the drive again."
                return self._report("not-judged", remaining=remaining, advice=advice)
            self._clock.sleep(pause)

    def left_running(self) -> SelfTestReport:
        """The report when nobody waits for the end."""
        return self._report(
            "running",
            remaining=selftest_remaining_percent(self._reading.raw.text),
            advice=f"It continues inside the drive. Follow it again: drivecare selftest {self._path}",
        )

    def stop(self) -> SelfTestReport:
        """Abort the running test. Raises Unavailable where the drive does not obey."""
        self._ask("-X")
        self._reading = self._look()
        if self.running:
            raise Unavailable("keeps testing", location=self._path, hint="Switch the dock off and on.")
        return self._report("stopped")

    def _judge(self) -> SelfTestReport:
        newest = self._reading.values.last_selftest
        if newest is None or (self._started_at is not None and self._reading.selftests == self._earlier_tests != ()):
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
        answer = self._backend.ask((*question, *self._options, spell_path(self._path)), limit_seconds=_ANSWER_SECONDS)
        refusal = backend_refusal(answer.text, self._path)
        if refusal is not None:
            raise refusal
        if answer.exit_status is None:
            raise Unavailable(f"did not answer within {_ANSWER_SECONDS:.0f} seconds", location=self._path)
        return answer.text

    def _report(
        self,
        state: SelfTestState,
        *,
        remaining: int | None = None,
        result: SelfTest | None = None,
        advice: str | None = None,
    ) -> SelfTestReport:
        return SelfTestReport(
            path=self._path,
            drive=self._reading.drive,
            kind=self._kind,
            state=state,
            started_at=self._started_at,
            finished_at=None if state == "running" else self._stamp(),
            remaining_percent=remaining,
            result=result,
            advice=advice,
        )

    def _stamp(self) -> str:
        return self._clock.timestamp()


def _explain_refusal(text: str) -> str:
    """The drive's reason, from what the backend printed last; else the usual one."""
    if re.search(r"not support|unsupported|unavailable|disabled", text, re.I):
        return "The drive or its dock offers no self-test. Scan the surface instead: drivecare readscan."
    lines = [
        line.strip() for line in text.splitlines() if line.strip() and not line.startswith(("smartctl", "Copyright"))
    ]
    return f"It said: {lines[-1]}" if lines else "It gave no reason; try a native port."
