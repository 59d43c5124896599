"""docs/loop-session.md, typed line by line on two loop devices of its own: every line in it still appears."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from tests.test_docs import alike, text_of

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300), pytest.mark.usefixtures("loop_rig")]


def same(text: str, folder: Path) -> str:
    """Random content begins with a zero now and then, so the first byte with data may be any."""
    text = re.sub(r"holds data at byte \d+", "holds data at byte N", alike(text, folder))
    return re.sub(r"/dev/loop\d+", "LOOP", text)


def test_the_session_on_loop_devices_is_what_a_terminal_shows(tmp_path: Path) -> None:
    blocks = re.findall(r"^```console\n(.*?)^```$", text_of("docs/loop-session.md"), re.DOTALL | re.MULTILINE)
    lines = [line for block in blocks for line in block.splitlines() if line and line != "..."]
    typed = [line.removeprefix("$ ") for line in lines if line.startswith("$ ")]
    assert typed[-1].startswith("losetup --detach")
    script = "trap 'losetup --detach $OLD $NEW 2>/dev/null' EXIT\n"
    script += "".join(f"echo {shlex.quote('$ ' + command)}\n{command}\n" for command in typed)
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    quiet = {name: value for name, value in os.environ.items() if not name.startswith("DRIVECARE_")}
    done = subprocess.run(
        ["sh", "-c", script],
        cwd=tmp_path,
        env={**quiet, "PATH": path, "COLUMNS": "200"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        timeout=200,
        check=False,
    )
    remaining = same(done.stdout, tmp_path)
    for line in lines:
        skipped, match, remaining = remaining.partition(same(line, tmp_path))
        assert match, f"no longer printed after the line before it: {line}\nprinted instead: {skipped[:400]}"
    assert str(tmp_path) not in subprocess.run(["losetup", "--all"], capture_output=True, text=True).stdout
