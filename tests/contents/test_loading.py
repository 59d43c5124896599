"""The libraries that parse a stranger's bytes are loaded in the parser's process alone."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from tests.contents.tiny_fat import tiny_fat

PROGRAM = """
import sys
from drivecare.hardware.machine import Machine
from drivecare.work.survey_contents import ContentsRequest, survey_contents
(partition,) = survey_contents(ContentsRequest(path=sys.argv[1]), Machine()).partitions
print(partition.files, [name for name in sys.modules if name.startswith(("pyfs", "drivecare.contents.readers"))])
"""


@pytest.mark.promise(9)
def test_the_program_itself_loads_no_reader(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    image.write_bytes(tiny_fat())
    done = subprocess.run([sys.executable, "-c", PROGRAM, image], capture_output=True, text=True, check=True)
    assert done.stdout == "2 []\n"
