"""What becomes of a parser that hangs, fails or talks nonsense: the names are not known, and nothing else happens."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivecare.contents.model import VolumeAnswer, VolumeQuestion
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area

WHOLE = Area(offset=0, length=1 << 20)
QUESTION = VolumeQuestion(partition=WHOLE, areas=(Area(offset=512, length=512),))
ANSWER = '{"volume": {}, "areas": [{"offset": %d, "length": 512, "holds": [%s]}]}'
HOLD = '{"kind": "file", "bytes": 600}'


def ask(image: Path, program: str, monkeypatch: pytest.MonkeyPatch, names: list[int]) -> VolumeAnswer:
    """The answer of a parser that is this program."""
    (image.parent / "other.py").write_text(program)
    monkeypatch.setenv("PYTHONPATH", str(image.parent))
    with image.open("wb+") as medium:
        medium.truncate(WHOLE.length)
        answer = ask_parser(medium.fileno(), QUESTION, seconds=3, module="other", on_names=names.append)
        assert os.fstat(medium.fileno()).st_size == WHOLE.length
    return answer


def test_it_can_be_followed_while_it_walks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = ANSWER % (512, '{"kind": "free", "bytes": 512}')
    program = f"import os, time\nfor piece in ('  ', ' ', ' ' + {text!r}): os.write(1, piece.encode()); time.sleep(0.3)"
    names: list[int] = []
    answer = ask(tmp_path / "image", program, monkeypatch, names)
    assert names == [2000, 3000, 4000]
    assert [hold.kind for area in answer.areas for hold in area.holds] == ["free"]


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
    answer = ask(tmp_path / "image", program, monkeypatch, [])
    assert answer.volume.reason is not None
    assert reason in answer.volume.reason
    assert [hold.kind for area in answer.areas for hold in area.holds] == ["unknown"]
