"""docs/several-benches.md takes a shop from one bench to three: its commands, on a fresh cluster."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from drivecare.record.folder import FolderRecord
from drivecare.record.location import open_record
from tests.job.carried import data_route, fact
from tests.postgres import BENCHES, Cluster
from tests.record.test_port import OPENED_NOW

PAGE = (Path(__file__).parents[2] / "docs/several-benches.md").read_text("utf-8")
LINES = [line for block in re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL) for line in block.splitlines()]
OF_THE_MACHINE = ("sudo apt", "sudo -u postgres psql", "echo", "sudo systemctl", "pip", "mkdir")


def test_there_are_ten_commands() -> None:
    assert len(LINES) == 10


@pytest.mark.server
def test_a_shop_goes_from_one_bench_to_three(cluster: Cluster, tmp_path: Path) -> None:
    for bench in BENCHES:
        cluster.run(f"DROP ROLE IF EXISTS {bench}")  # the page makes them
    home = Path(os.environ["XDG_DATA_HOME"])
    job = FolderRecord(root=home / "drivecare" / "jobs").create(OPENED_NOW)
    for document in data_route():
        job.file(document)
    programs = f"{Path(sys.executable).parent}:{cluster.programs}:{os.environ['PATH']}"
    environ = {**os.environ, "PGHOST": str(cluster.folder), "PGUSER": "owner", "PATH": programs}
    tried = [line for line in LINES if not line.startswith(OF_THE_MACHINE)]
    assert len(tried) == 4
    for line in tried:
        command = line.replace("sudo -u postgres ", "").replace("--pwprompt ", "").replace("server.example", "")
        command = command.replace("~/.local/share", str(home))
        done = subprocess.run(["bash", "-ec", command], env=environ, capture_output=True, text=True, check=False)
        assert done.returncode == 0, (command, done.stderr)
    for bench in BENCHES:
        cluster.run(f"GRANT template_shop_bench TO {bench}")  # as the other tests know them
    first, third = (open_record(cluster.address("shop", bench)) for bench in ("bench1", "bench3"))
    assert third.job("1042").read().names
    third.job("1042").file(fact("detached"))
    assert len(first.job("1042").result_files()) == len(data_route()) + 2
