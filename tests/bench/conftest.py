"""Which rig can run here, and one boot for all checks of a file."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from importlib import import_module
from pathlib import Path

import pytest

from tests.bench import loop, machine
from tests.bench.machine import Machine

REQUIRED = os.environ.get("DRIVECARE_REQUIRE_BENCH") == "1"
BOOT_SECONDS = 1200


def need(reason: str | None) -> None:
    """Skip with the reason; fail with it where the bench is required (in CI)."""
    if reason is not None:
        (pytest.fail if REQUIRED else pytest.skip)(reason)


@pytest.fixture(scope="session")
def loop_rig() -> None:
    """Loop devices over exported files can be made here."""
    need(loop.unready())


@pytest.fixture(scope="session")
def machine_rig() -> None:
    """Machines can be started here."""
    need(machine.unready())


@pytest.fixture(scope="session")
def booted(
    machine_rig: None,
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[[str], Machine]]:
    """A machine that has run the chosen checks of a file in tests/bench/guests: booted once, two at a time."""
    chosen: dict[str, list[str]] = {}
    for item in request.session.items:
        if "guest_check" in getattr(item, "fixturenames", ()):
            batch, check = item.callspec.params["guest_check"]  # type: ignore[attr-defined]
            chosen.setdefault(batch, []).append(check)

    def boot(batch: str, folder: Path) -> Machine:
        guest = Machine(folder, import_module(f"tests.bench.guests.{batch}").DRIVES)
        guest.run("tests.bench.guest", batch, *chosen[batch], seconds=BOOT_SECONDS)
        return guest

    with ThreadPoolExecutor(2) as two:
        machines: dict[str, Future[Machine]] = {
            batch: two.submit(boot, batch, tmp_path_factory.mktemp(batch) / "machine") for batch in chosen
        }
        yield lambda batch: machines[batch].result()
