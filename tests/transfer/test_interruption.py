"""The words of an interruption fit what the copy was doing, and what it had done by then."""

from __future__ import annotations

import errno
import random
from collections.abc import Callable

import pytest

from drivecare.errors import Interrupted, Unavailable
from drivecare.transfer.areas import Area, overlap
from drivecare.transfer.interruption import as_interruption, how_to_continue
from drivecare.transfer.medium import Gone, Progress, Stuck, Watch
from drivecare.transfer.sectors.damage import DamagePolicy
from drivecare.transfer.sectors.engine import CopySettings, copy_and_prove
from drivecare.transfer.sectors.journal import Journal
from drivecare.transfer.sectors.receipt import Receipt
from drivecare.transfer.sectors.verify import verify_target
from tests.transfer.sectors.fake_medium import (
    Call,
    FakeMedium,
    MemoryStore,
    Operation,
    buffers,
    end_of,
    fails,
    fresh_journal,
)

MIB = 1 << 20
SIZE = 4 * MIB
CONTENT = random.Random(6).randbytes(SIZE)
SETTINGS = CopySettings(policy=DamagePolicy(block_bytes=MIB // 4), checkpoint_bytes=MIB)
NOTHING = "Nothing was copied yet: try again with --resume"
SAFE = "Everything copied so far is safe: continue with --resume"
UNPROVEN = "Everything is copied, but nothing is proven yet: --resume reads it back again"


def run(
    source: FakeMedium, target: FakeMedium, store: MemoryStore | None = None, watch: Watch | None = None
) -> Receipt:
    journal = fresh_journal(end_of(source), end_of(target))
    return copy_and_prove(source, target, journal, store or MemoryStore(), buffers(MIB // 4), SETTINGS, watch)


HANGS = Stuck("a call has not come back for 300 s", 4711)
ERROR = OSError(errno.EIO, "Input/output error")
PHASES: dict[str, tuple[str, Operation, int, Exception, str]] = {
    "the first read hangs": ("source", "read", 0, HANGS, NOTHING),
    "the first write hangs": ("target", "write", 0, HANGS, NOTHING),
    "the first write fails": ("target", "write", 0, ERROR, f"writing failed: Input/output error. {NOTHING}"),
    "a later read hangs": ("source", "read", 9, HANGS, SAFE),
    "a later write fails": ("target", "write", 9, ERROR, f"writing failed: Input/output error. {SAFE}"),
    "the way past the cache fails": (
        "target", "bypass_cache", 0, ERROR, f"reading back failed: Input/output error. {UNPROVEN}",
    ),
    "a read while reading back hangs": ("target", "read", 3, HANGS, UNPROVEN),
    "a read while reading back is our own fault": (
        "target", "read", 3, OSError(errno.EINVAL, "Invalid argument"),
        f"reading back failed on this machine's side: Invalid argument. {UNPROVEN}",
    ),
}  # fmt: skip


@pytest.mark.parametrize("phase", PHASES)
def test_a_failure_is_told_in_the_words_of_its_phase(phase: str) -> None:
    end, operation, after, error, words = PHASES[phase]
    source, target = FakeMedium(CONTENT), FakeMedium(bytes(SIZE))
    (source if end == "source" else target).faults.append(fails(operation, error, after=after))
    with pytest.raises(Interrupted) as caught:
        run(source, target)
    assert caught.value.message().endswith(words)


@pytest.mark.parametrize(
    ("phase", "done", "onward"),
    [("copying", 0, NOTHING), ("copying", 2 * MIB, SAFE), ("reading back", MIB, UNPROVEN)],
    ids=["at once", "midway", "reading back"],
)
def test_a_stop_says_what_is_safe(phase: str, done: int, onward: str) -> None:
    reports: list[Progress] = []

    def stop() -> str | None:
        reached = reports and reports[-1].phase == phase and reports[-1].done >= done
        return "stopped by SIGTERM" if reached else None

    with pytest.raises(Interrupted) as caught:
        run(FakeMedium(CONTENT), FakeMedium(bytes(SIZE)), watch=Watch(on_progress=reports.append, stop_reason=stop))
    assert caught.value.message() == f"stopped by SIGTERM. {onward}"


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (HANGS, "process 4711 still waits for it. Power the drive off and on. Nothing is proven: verify again"),
        (Gone("it is no longer there"), "check power, cable and dock. Nothing is proven: verify again"),
        (ERROR, "memory: reading back failed: Input/output error. Nothing is proven: verify again"),
    ],
    ids=["hangs", "gone", "error"],
)
def test_a_later_verification_speaks_of_itself(error: Exception, words: str) -> None:
    target = FakeMedium(bytes(SIZE))
    receipt = run(FakeMedium(CONTENT), target)
    failing = FakeMedium(target.data, faults=[fails("bypass_cache", error)])
    with pytest.raises(Interrupted) as caught:
        verify_target(receipt, failing, buffers(MIB), Watch())
    assert caught.value.message().endswith(words)
    with pytest.raises(Interrupted, match=r"stopped by SIGINT\. Nothing is proven: verify again"):
        verify_target(receipt, target, buffers(MIB), Watch(stop_reason=lambda: "stopped by SIGINT"))


def test_a_full_disk_is_only_spoken_of_where_something_is_written() -> None:
    full = OSError(errno.ENOSPC, "No space left on device")
    assert "Make room" in as_interruption(full, "t.img", "copying").message()
    assert "Make room" not in as_interruption(full, "t.img", "reading back").message()


def test_an_interruption_that_says_what_to_do_keeps_its_words() -> None:
    full = Interrupted("the journal cannot be written", hint="Make room there, then continue with --resume")
    assert as_interruption(full, "t.img", "copying") is full


def test_a_journal_that_cannot_be_begun_stops_midway() -> None:
    """By then the target may have been given its size, so this is no error from before anything was done."""

    class Full(MemoryStore):
        def save(self, journal: Journal) -> None:
            raise Unavailable("cannot be written: No space left on device", location="j.json")

    with pytest.raises(Interrupted, match=r"j.json: the journal cannot be written.*--resume") as caught:
        run(FakeMedium(CONTENT), FakeMedium(bytes(SIZE)), store=Full())
    assert caught.value.exit_code == 23


class TestBars:
    """A bar for every phase that happens, none for one that does not."""

    def phases(self, source: FakeMedium, target: FakeMedium, journal: Journal | None = None) -> list[str]:
        reports: list[Progress] = []
        store = MemoryStore()
        begun = journal or fresh_journal(end_of(source), end_of(target))
        copy_and_prove(source, target, begun, store, buffers(MIB // 4), SETTINGS, Watch(on_progress=reports.append))
        self.last, self.reports = store.saved[-1], reports
        return list(dict.fromkeys(progress.phase for progress in reports))

    @pytest.mark.parametrize(
        ("make", "phases"),
        [
            (lambda: FakeMedium(CONTENT), ["copying", "reading back"]),
            (
                lambda: FakeMedium(CONTENT, bad=[Area.between(MIB, MIB + 512)]),
                ["copying", "filling unreadable areas", "reading back"],
            ),
        ],
        ids=["sound", "damaged"],
    )
    def test_of_a_copy_and_of_a_resume_with_nothing_left_to_read(
        self, make: Callable[[], FakeMedium], phases: list[str]
    ) -> None:
        source, target = make(), FakeMedium(bytes(SIZE))
        assert self.phases(source, target) == phases
        again = [phase for phase in phases if phase in ("filling unreadable areas", "reading back")]
        assert self.phases(source, target, self.last) == again

    def test_damage_that_is_read_in_the_end_is_doubtful_until_then(self) -> None:
        def late(call: Call) -> None:
            large = call.operation == "read" and call.area.length > 512
            if large and overlap(call.area, Area.between(2 * MIB, 2 * MIB + 1)):
                raise OSError(errno.EIO, "Input/output error")

        source = FakeMedium(CONTENT, faults=[late])
        assert self.phases(source, FakeMedium(bytes(SIZE))) == ["copying", "reading back"]
        copying = [report for report in self.reports if report.phase == "copying"]
        doubtful = [report.doubtful for report in copying]
        assert (max(doubtful), doubtful[-1]) == (MIB // 4, 0)
        assert all(report.done + report.doubtful <= report.total for report in copying)


def test_every_way_on_names_what_to_do() -> None:
    assert how_to_continue("looking", 0) == NOTHING
    assert how_to_continue("looking", 1) == SAFE
