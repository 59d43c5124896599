"""Text that is not ours cannot steer a terminal or hide what stands beside it, and can still be read."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivecare.documents import Value, decode, encode
from drivecare.visible import visible, visible_json, visible_lines

# General categories of the Unicode Standard, chapter 4.5: controls, format characters, surrogates, private use,
# unassigned code points, line and paragraph separators.
HIDDEN = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Kestrel KD-500, 38 \u00b0C, \u4e2d\u6587 \u00e9", "Kestrel KD-500, 38 \u00b0C, \u4e2d\u6587 \u00e9"),
        ("\x1b[2J\x1b]8;;x\x07", r"\x1b[2J\x1b]8;;x\x07"),
        ("\x9b31m\x7f\r\t", r"\x9b31m\x7f\x0d\x09"),
        ("a\nVERIFIED", r"a\x0aVERIFIED"),
        ("gpj.\u202etxt\u2066", r"gpj.\u202etxt\u2066"),
        ("soft\u00adhyphen\u200b\u200d\ufeff", r"soft\xadhyphen\u200b\u200d\ufeff"),
        ("\u2028\u2029", r"\u2028\u2029"),
        ("caf\udce9", r"caf\udce9"),
        ("\ue000\U000e0041\U0010ffff", r"\ue000\U000e0041\U0010ffff"),
        ("no\u00a0break\u2009thin\u3000wide", "no\u00a0break\u2009thin\u3000wide"),
        (r"C:\x1b", r"C:\x1b"),
        ("[red]markup[/red]", "[red]markup[/red]"),
    ],
)
def test_invisible_characters_are_escaped(text: str, shown: str) -> None:
    assert visible(text) == shown
    assert visible(shown) == shown


def test_every_code_point_is_shown_or_escaped_by_its_category() -> None:
    """In the blocks that hold hidden characters: from ASCII to CJK, surrogates and beyond, emoji, tags."""
    blocks = (range(0x3100), range(0xD700, 0x10100), range(0x1F000, 0x1F400), range(0xE0000, 0xE0200))
    characters = [chr(code) for block in blocks for code in block]
    hidden = [one for one in characters if unicodedata.category(one) in HIDDEN]
    shown = "".join(set(characters) - set(hidden))
    assert visible(shown) == shown
    assert len(hidden) > 2_000
    assert visible("".join(hidden)).count("\\") == len(hidden)
    assert visible("".join(hidden)).isascii()


def test_line_feeds_stay_where_several_lines_are_meant() -> None:
    assert visible_lines("one\ntwo\r\n\x1b") == "one\ntwo\\x0d\n\\x1b"


class Label(Value, frozen=True, kw_only=True):
    text: str


@settings(max_examples=50)
@given(st.text())
def test_a_document_means_the_same_and_shows_everything(text: str) -> None:
    document = encode(Label(text=text))
    assert not {unicodedata.category(letter) for letter in document.decode().replace("\n", "")} & HIDDEN
    assert decode(Label, document, origin="x") == Label(text=text)


@settings(max_examples=50)
@given(st.text())
def test_escaping_a_document_again_changes_nothing(text: str) -> None:
    document = json.dumps({"text": text}, ensure_ascii=False).encode()
    assert visible_json(visible_json(document)) == visible_json(document)
    assert json.loads(visible_json(document)) == {"text": text}
