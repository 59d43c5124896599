"""Shared by every room: the default run has no network, and no test can reach a disk of this machine by accident."""

from __future__ import annotations

import itertools
import os
import signal
import socket
from collections.abc import Iterator
from typing import TYPE_CHECKING, NoReturn

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from pathlib import Path

    from tests.postgres import Cluster

# How long one example takes says how busy the machine is; pytest's own time limit catches what hangs. New examples are
# for whoever works on the program; what judges a change (.ci/run) tries the same ones each time.
SAME_EXAMPLES = bool(os.environ.get("DRIVECARE_SAME_EXAMPLES"))
settings.register_profile("drivecare", settings.default, deadline=None, derandomize=SAME_EXAMPLES)
settings.load_profile("drivecare")


def pytest_configure() -> None:
    """A shell that starts the tests in the background lets them and all they start ignore Ctrl-C; tests press it."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int | None:
    """One worker per core for the whole suite; none for chosen files, which are done before workers have started.

    Nor for the bench: its machines are shared by all the tests of a run, and boot side by side by themselves.
    """
    chosen = any(".py" in argument for argument in config.args)
    benched = "bench" in config.option.markexpr.replace("not bench", "")
    return 0 if chosen or benched else None


@pytest.fixture(autouse=True)
def _no_network(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing leaves the machine (promise 8): connecting anywhere is an error in a fast test."""
    if any(request.node.get_closest_marker(name) for name in ("bench", "slow", "server")):
        return

    def refuse(*_: object) -> NoReturn:
        raise AssertionError("a test tried to use the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)


@pytest.fixture(autouse=True)
def _no_wait_for_the_disk(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A flush outlives a power cut, which no fast test makes; waiting for 3,000 of them took a third of their time.

    What must be flushed, and in which order, is asked of stand-ins; that it truly is, of the bench's power cuts.
    """
    if not (request.node.get_closest_marker("bench") or request.node.get_closest_marker("slow")):
        monkeypatch.setattr(os, "fsync", os.fstat)  # fails as fsync does where the file is not open


@pytest.fixture(scope="session")
def homes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Places for the home of each test, to be made by whoever writes there: few do.

    A numbered folder for each test made pytest look through the folders of all tests before it, thousands of times.
    """
    folder = tmp_path_factory.mktemp("homes")
    return (folder / str(number) for number in itertools.count())


@pytest.fixture(autouse=True)
def _own_home(homes: Iterator[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """Jobs and configuration of the person running the tests are never read or written."""
    home = next(homes)
    monkeypatch.setenv("XDG_DATA_HOME", str(home / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(home / "config"))
    for name in (
        "DRIVECARE_JOB",
        "DRIVECARE_JOBS",
        "DRIVECARE_STOCK",
        "DRIVECARE_HOSTS",
        "SUDO_UID",
        "SUDO_GID",
        "NO_COLOR",
    ):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture(scope="session")
def server_programs() -> Path:
    """The folder of PostgreSQL's programs; where it is not installed, a test that needs them is skipped."""
    from tests.postgres import find_programs

    programs = find_programs()
    if programs is None:
        assert not os.environ.get("DRIVECARE_REQUIRE_SERVER"), "no PostgreSQL is installed"
        pytest.skip("no PostgreSQL is installed: apt install postgresql")
    return programs


@pytest.fixture(scope="session")
def cluster(server_programs: Path) -> Iterator[Cluster]:
    """A PostgreSQL server of this run's own, for tests with the marker `server`."""
    from tests.postgres import Cluster

    cluster = Cluster(server_programs)
    try:
        cluster.create()
        yield cluster
    finally:
        cluster.remove()
