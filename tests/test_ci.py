"""What .ci/run holds its stages to, and what its bare machine takes over from the one it runs on."""

from __future__ import annotations

import os
import re
import runpy
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
BARE: dict[str, Any] = runpy.run_path(str(ROOT / ".ci/bare.py"))
RUN = (ROOT / ".ci/run").read_text("utf-8")


def stage(seconds: int, *, minutes: str = "[nap]=1") -> subprocess.CompletedProcess[str]:
    """A stage that seems to take that long."""
    script = (
        f"source .ci/run; MINUTES=({minutes}); nap() {{ SECONDS=$((SECONDS + {seconds})); }}; stage nap; echo after"
    )
    return subprocess.run(["bash", "-c", script], cwd=ROOT, capture_output=True, text=True, check=False)


def test_a_stage_prints_its_time_and_one_far_over_its_budget_fails() -> None:
    late, far_over, free = stage(115), stage(130), stage(130, minutes="")
    assert (late.returncode, late.stdout.splitlines()) == (0, ["-- nap took 115 s of 60", "after"])
    assert far_over.returncode == 1
    assert "nap took more than 2 times its budget" in far_over.stdout
    assert "after" not in far_over.stdout
    assert (free.returncode, free.stdout.splitlines()) == (0, ["-- nap took 130 s", "after"])


def test_a_stage_that_fails_ends_the_run() -> None:
    script = "source .ci/run; nap() { false; echo on; }; stage nap; echo after"
    done = subprocess.run(["bash", "-c", script], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (1, "")


def test_every_stage_has_a_budget_and_together_they_fit() -> None:
    minutes = {name: int(number) for name, number in re.findall(r"\[(\w+)\]=(\d+)", RUN)}
    stages = re.search(r"for part in (packages [^;]*);", RUN)
    total = re.search(r"^TOTAL=(\d+)$", RUN, re.MULTILINE)
    assert stages is not None
    assert total is not None
    assert {"packages", *minutes} == set(stages[1].split())
    assert sum(minutes.values()) <= int(total[1])


@pytest.fixture
def index(tmp_path: Path) -> Path:
    """A local index of packages, as pip's settings name it."""
    folder = tmp_path / "packages/simple"
    folder.mkdir(parents=True)
    return folder


def test_what_pip_is_told_by_files_is_taken_over(tmp_path: Path, index: Path) -> None:
    settings = tmp_path / ".config/pip/pip.conf"
    settings.parent.mkdir(parents=True)
    (tmp_path / "bundle.pem").touch()
    settings.write_text(
        f"[global]\nextra-index-url =\n    https://packages.example/simple\n    file://{index}\n"
        f"cert = {tmp_path}/bundle.pem\nfind_links={tmp_path}/not-there\nprefix = {tmp_path}\n"
    )
    taken = BARE["taken_over"]({}, tmp_path)
    assert {path for path in taken if tmp_path in path.parents} == {index.parent, tmp_path / "bundle.pem"}
    assert Path("/etc/ssl/certs") in taken


def test_what_pip_is_told_by_variables_is_taken_over(tmp_path: Path, index: Path) -> None:
    (tmp_path / "bundle.pem").touch()
    (tmp_path / "bundle").symlink_to(tmp_path / "bundle.pem")
    variables = {
        "PIP_FIND_LINKS": str(index),
        "SSL_CERT_FILE": str(tmp_path / "bundle"),
        "PIP_CACHE_DIR": str(tmp_path),
    }
    taken = BARE["taken_over"](variables, tmp_path)
    named = {path for path in taken if tmp_path in path.parents}
    assert named == {index, tmp_path / "bundle", tmp_path / "bundle.pem"}
    assert [path for path in taken if set(path.parents) & set(taken)] == []


def test_no_constraint_and_nothing_of_drivecare_goes_inside() -> None:
    kept = {"PIP_INDEX_URL": "https://packages.example/simple", "HTTPS_PROXY": "proxy.example:3128"}
    left = {"PIP_CONSTRAINT": "pins.txt", "DRIVECARE_REQUIRE_BENCH": "1", "DRIVECARE_JOBS": "/jobs", "HOME": "/root"}
    assert BARE["passed_on"](kept | left) == kept


def test_the_bare_machine_runs_the_lines_of_readme() -> None:
    assert BARE["readme_line"]("demo").endswith("drivecare demo")
    assert BARE["readme_line"]("tests").endswith("pytest")


def test_nothing_of_the_bare_machine_outlives_a_kill(tmp_path: Path) -> None:
    if reason := BARE["forbidden"](tmp_path):
        pytest.skip(f"nothing can be mounted here: {reason}")
    inside = f"mount -t tmpfs tmpfs {tmp_path} && echo mounted && exec sleep 600"
    starting = f"import subprocess; subprocess.run({[*BARE['APART'], 'sh', '-c', inside]!r})"
    with subprocess.Popen([sys.executable, "-c", starting], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "mounted\n"
        process.kill()
        assert process.stdout.read() == ""  # its end: the last one that holds the pipe is gone
    assert not os.path.ismount(tmp_path)


def test_where_nothing_can_be_mounted_the_stage_is_red_with_the_reason(tmp_path: Path) -> None:
    """Root without its capabilities (setpriv of util-linux) may mount as little as a user."""
    command = ["python3", str(ROOT / ".ci/bare.py"), str(tmp_path / "bare")]
    no_rights = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--nnp"] if os.geteuid() == 0 else []
    done = subprocess.run([*no_rights, *command], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert re.match(r"bare: nothing can be mounted here \(unshare: .+\); a bare machine takes root", done.stderr)
