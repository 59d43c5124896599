"""32 terminals at once, the server killed and the network cut in the middle: nothing lost, doubled or out of order."""

from __future__ import annotations

import signal
import threading
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
import pytest

from drivecare.job.chain import Audit
from drivecare.job.model import Fact
from drivecare.record.address import ServerAddress
from drivecare.record.location import bench_folder, open_record
from drivecare.record.outbox import Outbox
from tests.job.carried import fact
from tests.postgres import Cluster
from tests.proxy import way_to
from tests.record.test_port import OPENED_NOW

WRITERS = 32
SECONDS = 20
JOBS = ("1040", "1041", "1042", "1043")


def write(bench: ServerAddress, writer: int, stop: threading.Event) -> list[tuple[str, Path]]:
    """File notes into one job until told to stop, each as a command of its own does; return them with their paths."""
    filed: list[tuple[str, Path]] = []
    while not stop.is_set():
        note = f"writer {writer:02}, note {len(filed):05}"
        record = open_record(bench)
        record.push()
        filed.append((note, record.job(JOBS[writer % len(JOBS)]).file(fact("note", note=note))))
    return filed


def run_writers(bench: ServerAddress, disturb: Callable[[], None]) -> list[list[tuple[str, Path]]]:
    stop = threading.Event()
    with ThreadPoolExecutor(WRITERS) as pool:
        writers = [pool.submit(write, bench, number, stop) for number in range(WRITERS)]
        try:
            disturb()
        finally:
            stop.set()
        return [writer.result() for writer in writers]


def push_all(bench: ServerAddress) -> None:
    for _ in range(10):
        if not open_record(bench).push().waiting:
            break
        time.sleep(1)
    assert Outbox(bench_folder(bench) / "outbox").waiting() == ()


def check_chains(direct: ServerAddress, writers: list[list[tuple[str, Path]]]) -> None:
    """What the record holds is what was written, once each, every writer's in its order, in an unbroken chain."""
    record = open_record(direct)
    notes: list[str] = []
    for id in JOBS:
        contents = record.job(id).read()
        assert contents.audit() == Audit()
        assert contents.chain is not None
        assert [file.number for file in contents.files] == list(range(1, len(contents.files) + 1))
        assert len(contents.chain.links) == len(contents.files)
        in_job = {filed.name: str(filed.document.note) for filed in contents.documents(Fact)}
        notes += in_job.values()
        for writer, filed in enumerate(writers):
            if JOBS[writer % len(JOBS)] == id:
                own = [note for note in in_job.values() if note.startswith(f"writer {writer:02},")]
                assert own == [note for note, _ in filed]
                named = {path.name: note for note, path in filed if path.parent.name == id}
                assert {name: in_job.get(name) for name in named} == named  # what was called filed is there, as that
    assert Counter(notes) == Counter(note for filed in writers for note, _ in filed)


def opened(direct: ServerAddress) -> None:
    for id in JOBS:
        open_record(direct).create(msgspec.structs.replace(OPENED_NOW, id=id))


@pytest.mark.server
def test_writers_at_once_lose_double_and_reorder_nothing(cluster: Cluster) -> None:
    direct = cluster.empty_record()
    opened(direct)
    writers = run_writers(direct, lambda: time.sleep(SECONDS))
    assert min(len(filed) for filed in writers) > 0
    check_chains(direct, writers)


@pytest.mark.server
def test_a_killed_server_and_a_cut_network_lose_nothing(cluster: Cluster) -> None:
    direct = cluster.empty_record()
    opened(direct)
    with way_to(cluster.folder) as proxy:
        bench = proxy.address(direct)

        def disturb() -> None:
            for _ in range(3):
                time.sleep(SECONDS / 10)
                cluster.stop(signal.SIGKILL)
                time.sleep(SECONDS / 20)
                cluster.start()
                time.sleep(SECONDS / 10)
                proxy.cut()
                time.sleep(SECONDS / 40)
                proxy.mend()
                time.sleep(SECONDS / 20)
                proxy.lose_answers(to=b"COMMIT")
                time.sleep(SECONDS / 40)
                proxy.cut()
                proxy.mend()

        writers = run_writers(bench, disturb)
        push_all(bench)
    waited = sum(path.parent.name == "outbox" for filed in writers for _, path in filed)
    assert waited > 0
    check_chains(direct, writers)
