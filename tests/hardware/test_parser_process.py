"""What becomes of a parser that hangs, fails or talks nonsense: the names are not known, and nothing else happens."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from drivecare.contents.model import VolumeAnswer, VolumeQuestion
from drivecare.hardware.parser_process import ask_parser
from drivecare.transfer.areas import Area
from tests.contents.tiny_fat import PHOTO_AT, tiny_fat

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


@pytest.mark.promise(9)
def test_an_invisible_letter_in_a_name_costs_nothing(tmp_path: Path) -> None:
    """It is written as an escape, which once asked for a codec that nothing had loaded before."""
    image = tmp_path / "image"
    image.write_bytes(tiny_fat().replace(b"PHOTO   JPG", b"PHO\x7fO   JPG"))
    area = Area(offset=PHOTO_AT, length=512)
    with image.open("rb") as medium:
        whole = Area(offset=0, length=image.stat().st_size)
        answer = ask_parser(medium.fileno(), VolumeQuestion(partition=whole, areas=(area,)))
    assert [hold.path for area in answer.areas for hold in area.holds] == ["/PHO\x7fO.JPG"]
