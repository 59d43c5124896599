"""Thousands of seeded schedules of faults and crashes; and mutations of the engine, which the schedules must catch."""

from __future__ import annotations

import inspect
import os
import textwrap
from concurrent.futures import ProcessPoolExecutor
from types import ModuleType
from typing import Any

import pytest

from drivecare.transfer import conclude, engine, readback, source, transfers
from tests.transfer.simulation import Crash, Schedule

FEW, MANY = 300, 10_000
CATCH_WITHIN = 600


def test_every_schedule_ends_in_a_true_receipt() -> None:
    for seed in range(FEW):
        Schedule(seed).run()


def _run(seeds: range) -> None:
    for seed in seeds:
        Schedule(seed).run()


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_ten_thousand_schedules() -> None:
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        step = 250
        list(pool.map(_run, [range(first, first + step) for first in range(FEW, FEW + MANY, step)]))


def test_schedules_meet_what_they_claim_to() -> None:
    """A simulation in which nothing happens would pass, too."""
    schedules = [Schedule(seed) for seed in range(FEW)]
    for schedule in schedules:
        schedule.run()
    assert sum(s.fate.silent_faults > 0 for s in schedules) > 20
    assert sum(any(not receipt.verified for receipt in s.receipts) for s in schedules) > 10
    assert sum(bool(s.receipts[-1].unreadable) for s in schedules) > 20
    assert sum(s.fate.crash > 0 for s in schedules) > 100
    assert sum((s.store.journal is not None and s.store.journal.sessions >= 1) for s in schedules) > 200


def test_a_schedule_is_the_same_every_time() -> None:
    one, other = Schedule(17).run(), Schedule(17).run()
    assert (one.digest, one.unreadable, one.reads) == (other.digest, other.unreadable, other.reads)


MUTATIONS: dict[str, tuple[Any, str, str, str, tuple[ModuleType, ...]]] = {
    # name: (owner, function, text, its replacement, other modules that hold the function by name)
    "skip the flush": (engine.Copying, "checkpoint", "self.target.flush()", "pass", ()),
    "verify from the cache": (readback, "read_back", "target.past_cache()", '"direct"', (conclude,)),
    "the journal before the data": (
        engine.Copying,
        "checkpoint",
        "    try:\n        self.target.flush()",
        "    self.ledger.add(unsaved)\n    self._write_journal(phase)\n    self.wait_for_journal()\n"
        "    try:\n        self.target.flush()",
        (),
    ),
    "a short read is the end": (
        transfers,
        "read_fully",
        "        done += count",
        "        return where.length, None",
        (source, readback),
    ),
    "believe a flush after the target was pulled": (
        engine.Copying,
        "checkpoint",
        "if not self.target.present():",
        "if False:",
        (),
    ),
    "flush again after a flush that failed": (
        engine.Copying,
        "checkpoint",
        "unsaved, self._unsaved, self._since = self._unsaved, [], 0",
        "unsaved, self._since = self._unsaved, 0",
        (),
    ),
    "keep the open segment over a flush that failed": (
        engine.Copying,
        "checkpoint",
        "self._segmenter.forget()",
        "pass",
        (),
    ),
    "keep the digest of bytes that were not written": (
        engine.Copying,
        "_store",
        "self._segmenter.forget()",
        "self._unsaved += self._segmenter.close()",
        (),
    ),
    "a short write is a whole one": (
        transfers,
        "write_fully",
        "            position += count",
        "            position = part.end",
        (engine,),
    ),
    "no fill": (engine.Copying, "_write_fill", "write_fully(self.target, where, buffer)", "pass", ()),
}


def mutate(monkeypatch: pytest.MonkeyPatch, owner: Any, name: str, old: str, new: str, *others: ModuleType) -> None:
    """Replace a function by the same with other text, wherever it is known by name."""
    text = textwrap.dedent(inspect.getsource(getattr(owner, name)))
    assert text.count(old) == 1, f"{name} no longer holds {old!r} once: bring this mutation up to date"
    home = inspect.getmodule(owner)
    assert home is not None
    names = dict(vars(home))
    exec(compile(text.replace(old, new), f"<mutated {name}>", "exec"), names)
    for place in (owner, *others):
        monkeypatch.setattr(place, name, names[name])


@pytest.mark.parametrize("mutation", MUTATIONS)
def test_a_mutated_engine_is_caught(mutation: str, monkeypatch: pytest.MonkeyPatch) -> None:
    owner, name, old, new, others = MUTATIONS[mutation]
    mutate(monkeypatch, owner, name, old, new, *others)
    caught = None
    for seed in range(CATCH_WITHIN):
        try:
            Schedule(seed).run()
        except (AssertionError, Crash) as error:
            caught = error
            break
    assert caught is not None, f"{CATCH_WITHIN} schedules did not notice: {mutation}"
