"""Every check of tests/bench/guests, as a test: run in a machine, reported by name."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

import pytest

from tests.bench.conftest import GuestCheck
from tests.bench.guest import checks_of, promises_of
from tests.bench.machine import Machine, outcome

BATCHES = ("unplug", "copies", "stalls", "guards", "buses")  # the longest first: several run at a time
MODULES = {batch: import_module(f"tests.bench.guests.{batch}") for batch in BATCHES}
CHECKS = [
    pytest.param(
        (batch, check),
        id=f"{batch}-{check.removeprefix('check_')}",
        marks=[pytest.mark.promise(number) for number in promises_of(getattr(module, check))],
    )
    for batch, module in MODULES.items()
    for check in checks_of(module)
]


@pytest.mark.bench
@pytest.mark.timeout(2700)
@pytest.mark.parametrize("guest_check", CHECKS)
def test_the_check_holds_in_the_machine(guest_check: GuestCheck, booted: Callable[[GuestCheck], Machine]) -> None:
    failure = outcome(booted(guest_check), guest_check[1])["failure"]
    if failure:
        pytest.fail(failure, pytrace=False)
