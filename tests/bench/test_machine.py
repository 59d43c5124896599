"""Every check of tests/bench/guests, as a test: run in a machine, reported by name."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module

import pytest

from tests.bench.conftest import GuestCheck
from tests.bench.guest import checks_of
from tests.bench.machine import Machine, outcome

BATCHES = ("unplug", "copies", "stalls", "guards", "buses")  # the longest first: several run at a time
CHECKS = [(batch, check) for batch in BATCHES for check in checks_of(import_module(f"tests.bench.guests.{batch}"))]


@pytest.mark.bench
@pytest.mark.timeout(2700)
@pytest.mark.parametrize("guest_check", CHECKS, ids=[f"{batch}-{check[6:]}" for batch, check in CHECKS])
def test_in_the_machine(guest_check: GuestCheck, booted: Callable[[GuestCheck], Machine]) -> None:
    failure = outcome(booted(guest_check), guest_check[1])["failure"]
    if failure:
        pytest.fail(failure, pytrace=False)
