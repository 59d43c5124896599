"""Which rig can run here, and one boot for all checks of a file."""

from __future__ import annotations

import compileall
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from importlib import import_module
from pathlib import Path

import pytest

from tests.bench import loop, machine
from tests.bench.loop import LoopRig
from tests.bench.machine import Machine
from tests.bench.shop import Shop

REQUIRED = os.environ.get("DRIVECARE_REQUIRE_BENCH") == "1"
BOOT_SECONDS = 2400  # a boot ends much sooner; this is for slow machines
AT_ONCE = 3  # machines; on two cores, since each also waits for its drives
GuestCheck = tuple[str, str]  # a file of tests/bench/guests, a check in it


def need(reason: str | None) -> None:
    """Skip with the reason; fail with it where the bench is required (in CI)."""
    if reason is not None:
        (pytest.fail if REQUIRED else pytest.skip)(reason)


@pytest.fixture(scope="session")
def loop_rig() -> None:
    """Loop devices over exported files can be made here."""
    need(loop.unready())


@pytest.fixture
def shop(loop_rig: None, tmp_path: Path) -> Iterator[Shop]:
    """The loop rig with the command and a working folder."""
    with LoopRig(tmp_path) as rig:
        yield Shop(tmp_path, rig)


@pytest.fixture(scope="session")
def machine_rig() -> None:
    """Machines can be started here, and find the checkout compiled, since they cannot save what they compile."""
    need(machine.unready())
    compileall.compile_dir(machine.ROOT / "drivecare", quiet=2)


@pytest.fixture(scope="session")
def booted(
    machine_rig: None,
    request: pytest.FixtureRequest,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[[GuestCheck], Machine]]:
    """The machine that has run a check of tests/bench/guests. All machines that the chosen tests need start at once."""
    runs: dict[tuple[str, str | None], list[str]] = {}
    for item in request.session.items:
        if "guest_check" in getattr(item, "fixturenames", ()):
            batch, check = item.callspec.params["guest_check"]  # type: ignore[attr-defined]
            checks = runs.setdefault(_run_of(batch, check), [])
            if check not in checks:
                checks.append(check)
    pool = ThreadPoolExecutor(AT_ONCE)
    machines = {
        run: pool.submit(_boot, run[0], checks, tmp_path_factory.mktemp(run[1] or run[0]) / "machine")
        for run, checks in runs.items()
    }
    yield lambda guest_check: machines[_run_of(*guest_check)].result()
    pool.shutdown(cancel_futures=True)  # after Ctrl-C none starts any more


def _run_of(batch: str, check: str) -> tuple[str, str | None]:
    """What shares one boot: all checks of a file, but a power cut ends its machine."""
    return (batch, check if batch == "powercut" else None)


def _boot(batch: str, checks: list[str], folder: Path) -> Machine:
    drives = import_module(f"tests.bench.guests.{batch}").DRIVES
    if batch == "powercut":
        machine = Machine(folder, drives[checks[0]])
        machine.run_until_cut("tests.bench.guest", batch, *checks, seconds=BOOT_SECONDS)
    else:
        machine = Machine(folder, drives)
        machine.run("tests.bench.guest", batch, *checks, seconds=BOOT_SECONDS)
    return machine
