"""What becomes of a parser that hangs, fails or talks nonsense: the names are not known, and nothing else happens."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivecare.contents.model import VolumeQuestion
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area

WHOLE = Area(offset=0, length=1 << 20)
QUESTION = VolumeQuestion(partition=WHOLE, areas=(Area(offset=512, length=512),))
ANSWER = '{"volume": {}, "areas": [{"offset": %d, "length": 512, "holds": [%s]}]}'
HOLD = '{"kind": "file", "bytes": 600}'


@pytest.mark.promise(9)
@pytest.mark.parametrize(
    ("program", "reason"),
    [
        ("import time; time.sleep(60)", "run without end"),
        ("import os\nwhile True: os.write(1, bytes(1 << 16))", "without end"),
        ("import os; os.abort()", "make the reader fail"),
        ("raise SystemExit(3)", "make the reader fail"),
        ("print('{')", "makes no sense"),
        ('print(\'{"volume": {"files": -1}}\')', "makes no sense"),
        (f"print({ANSWER % (0, '')!r})", "other areas than were asked about"),
        (f"print({ANSWER % (512, HOLD)!r})", "more bytes are hit than the area has"),
    ],
)
def test_a_parser_that_fails_costs_the_names_alone(
    program: str, reason: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "evil.py").write_text(program)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with (tmp_path / "image").open("wb+") as image:
        image.truncate(WHOLE.length)
        answer = ask_parser(image.fileno(), QUESTION, seconds=3, module="evil")
        assert os.fstat(image.fileno()).st_size == WHOLE.length
    assert answer.volume.reason is not None
    assert reason in answer.volume.reason
    assert [hold.kind for area in answer.areas for hold in area.holds] == ["unknown"]
