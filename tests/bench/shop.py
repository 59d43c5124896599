"""The installed command at the loop rig: run to its end, stopped midway, with the exit code demanded."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.bench.drives import MIB
from tests.bench.guest import moved_sectors, wait_for
from tests.bench.loop import LoopRig


class Shop:
    """The loop rig, a working folder, and the command."""

    def __init__(self, folder: Path, rig: LoopRig) -> None:
        self.rig = rig
        self.work = folder / "work"
        self.work.mkdir()
        self.image = self.work / "target.img"

    def start(self, *arguments: object) -> subprocess.Popen[str]:
        command = [str(Path(sys.executable).with_name("drivecare")), *map(str, arguments)]
        return subprocess.Popen(command, cwd=self.work, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def run(self, *arguments: object, code: int) -> dict[str, Any]:
        """Run to the end, demand the exit code; the document, {} where none was printed."""
        process = self.start(*arguments, "--json")
        out, err = process.communicate(timeout=200)
        assert process.returncode == code, (process.returncode, out[-2000:], err[-2000:])
        assert "Traceback" not in err, err
        document: dict[str, Any] = json.loads(out) if out else {}
        return document

    def printed(self, *arguments: object, code: int) -> str:
        """Run to the end, demand the exit code; what the screen shows."""
        process = self.start(*arguments)
        out, err = process.communicate(timeout=200)
        assert process.returncode == code, (process.returncode, out[-2000:], err[-2000:])
        return out

    def midway(self, command: str, source: Path, *arguments: object) -> subprocess.Popen[str]:
        """A copy or scan that has read some of its source."""
        before = moved_sectors(str(source), 2)
        process = self.start(command, source, *arguments)
        wait_for(lambda: moved_sectors(str(source), 2) - before > 6 * MIB // 512, 120, "the reading does not begin")
        assert process.poll() is None, process.communicate()
        return process

    def ended(self, process: subprocess.Popen[str], *, code: int, seconds: float = 120) -> str:
        """Wait for the end and demand the exit code; what it said."""
        _, err = process.communicate(timeout=seconds)
        assert process.returncode == code, (process.returncode, err)
        assert "Traceback" not in err, err
        return err
