"""A drive's own test: started, followed by its own percentage, judged; aborted ones are not judged."""

from __future__ import annotations

import pytest

from drivecare.clock import StillClock
from drivecare.errors import BadInput, Unavailable
from drivecare.hardware.smart_port import BackendAnswer, Recorded
from drivecare.work.self_test import SelfTestProgress, SelfTestSession
from tests.hardware.reports import BANNER, HUNG, IDLE, answer, open_failed, running, sata
from tests.reading.recorded import report

STARTED = answer(BANNER + "Testing has begun.\nPlease wait 2 minutes for test to complete.\n")
PASSED = "Short offline       Completed without error       00%      1904         -"
READ_FAILURE = "Short offline       Completed: read failure       60%      1904         233500365"
ABORTED = "Short offline       Aborted by host               70%      1904         -"
RESET = "Short offline       Interrupted (host reset)      70%      1904         -"


def session(looks: list[BackendAnswer], start: BackendAnswer = STARTED) -> tuple[SelfTestSession, Recorded, StillClock]:
    backend = Recorded({"-t": start, "-X": answer(BANNER), "-c": looks})
    clock = StillClock()
    return SelfTestSession(backend, clock, "/dev/sda", None, "short"), backend, clock


def ended(row: str) -> BackendAnswer:
    return answer(sata(status=IDLE, tests=(row,)))


def test_the_drives_own_percentage_and_estimate_are_followed_to_the_end() -> None:
    looks = [answer(sata()), *(answer(sata(status=running(percent))) for percent in (90, 50, 10)), ended(PASSED)]
    drive_test, backend, clock = session(looks)
    progress: list[SelfTestProgress] = []
    drive_test.start()
    begun = clock.now()
    report = drive_test.follow(progress.append)
    assert [step.remaining_percent for step in progress] == [90, 50, 10]
    assert [step.minutes_left for step in progress] == pytest.approx([1.8, 1.0, 0.2])
    assert report.state == "passed"
    assert report.result is not None
    assert report.result.hours == 1904
    assert ("-t", "short", "/dev/sda") in backend.asked
    assert (clock.now() - begun).total_seconds() < 120, "polls often enough for a two-minute test"


@pytest.mark.parametrize(
    ("row", "state"),
    [(PASSED, "passed"), (READ_FAILURE, "failed"), (ABORTED, "not-judged"), (RESET, "not-judged")],
    ids=["passed", "a bad sector", "aborted by the host", "reset by the dock"],
)
def test_how_it_ended(row: str, state: str) -> None:
    drive_test, _, _ = session([answer(sata()), ended(row)])
    drive_test.start()
    report = drive_test.follow(lambda _: None)
    assert report.state == state
    assert ("idle timer" in (report.advice or "")) == (state == "not-judged")


def test_a_test_that_ends_at_once_is_told_from_the_one_before() -> None:
    """An emulated drive ends at once; its log must have grown, or nothing is known."""
    before = answer(sata(tests=(PASSED,)))
    drive_test, _, _ = session([before, answer(sata(tests=(PASSED, PASSED)))])
    drive_test.start()
    assert drive_test.follow(lambda _: None).state == "passed"
    drive_test, _, _ = session([before, before])
    drive_test.start()
    report = drive_test.follow(lambda _: None)
    assert report.state == "not-judged"
    assert report.result is None


def test_a_running_test_is_followed_and_not_started_again() -> None:
    drive_test, backend, _ = session(
        [answer(sata(status=running(40))), answer(sata(status=running(20))), ended(PASSED)]
    )
    assert drive_test.running
    with pytest.raises(BadInput, match="is already running a self-test"):
        drive_test.start()
    report = drive_test.follow(lambda _: None)
    assert (report.state, report.started_at) == ("passed", None)
    assert not any("-t" in asked for asked in backend.asked)


def test_a_drive_lost_on_the_way_is_not_judged() -> None:
    drive_test, _, _ = session(
        [answer(sata()), answer(sata(status=running(60))), answer(open_failed("No such device"), 2)]
    )
    drive_test.start()
    report = drive_test.follow(lambda _: None)
    assert report.state == "not-judged"
    assert "is no longer there" in (report.advice or "")


def test_a_test_that_stands_still_is_given_up_after_an_hour() -> None:
    drive_test, _, clock = session([answer(sata()), answer(sata(status=running(60)))])
    begun = clock.now()
    drive_test.start()
    report = drive_test.follow(lambda _: None)
    assert (report.state, report.remaining_percent) == ("not-judged", 60)
    assert 3600 < (clock.now() - begun).total_seconds() < 3700


def test_stop_aborts_and_looks_again() -> None:
    drive_test, backend, _ = session([answer(sata(status=running(40))), ended(ABORTED)])
    assert drive_test.stop().state == "stopped"
    assert backend.asked[1] == ("-X", "/dev/sda")
    drive_test, _, _ = session([answer(sata(status=running(40)))])
    with pytest.raises(Unavailable, match="keeps testing"):
        drive_test.stop()


def test_left_running_says_how_to_pick_it_up() -> None:
    drive_test, _, _ = session([answer(sata(status=running(40)))])
    report = drive_test.left_running()
    assert (report.state, report.remaining_percent, report.finished_at) == ("running", 40, None)
    assert report.advice == "It continues inside the drive. Follow it again: drivecare selftest /dev/sda"


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        ("Warning: device does not support Self-Test functions", "offers no self-test"),
        ("Command failed: scsi error", "It said: Command failed: scsi error"),
    ],
)
def test_a_drive_that_does_not_start(words: str, hint: str) -> None:
    drive_test, _, _ = session([answer(sata())], start=answer(f"{BANNER}{words}\n", 4))
    with pytest.raises(Unavailable, match=hint):
        drive_test.start()


def test_a_hung_drive_is_an_error_in_time() -> None:
    with pytest.raises(Unavailable, match="did not answer within 60 seconds"):
        session([HUNG])


def test_an_nvme_drive_that_runs_no_test_starts_one_and_ends_it() -> None:
    """Its status says "No self-test in progress", which is not a test in progress."""
    idle = report("nvme-nothing-against-it")
    busy = idle.replace("No self-test in progress", "Short self-test in progress (28% completed)")
    passed = idle.replace(
        "No Self-tests Logged",
        " 0   Short             Completed without error             1904            -     -   -   -    -",
    )
    assert len({idle, busy, passed}) == 3
    followed, _, _ = session([answer(idle), answer(busy), answer(passed)])
    followed.start()
    percentages: list[int] = []
    outcome = followed.follow(lambda progress: percentages.append(progress.remaining_percent))
    assert (percentages, outcome.state) == ([72], "passed")
