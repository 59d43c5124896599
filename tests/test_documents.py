"""Documents are whole or not there, and what is wrong in one is message with its place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

import pytest

from drivecare.documents import Strict, Value, decode, decode_toml, encode, read_bytes
from drivecare.errors import BadInput, DriveCareError, Interrupted, NoDrive, Refused, Unavailable


class Bay(Strict, frozen=True, kw_only=True):
    height_mm: float
    name: str = "bay"


class Shelf(Strict, frozen=True, kw_only=True):
    bays: tuple[Bay, ...] = ()
    kinds: tuple[Literal["hdd", "ssd"], ...] = ()
    side: Literal["left", "right"] | None = None


class Sheet(Value, frozen=True, kw_only=True):
    bays: tuple[Bay, ...] = ()
    count: int | None = None


def test_encode_is_stable_and_ends_with_a_newline() -> None:
    assert encode(Sheet(count=0)) == b'{\n  "bays": [],\n  "count": 0\n}\n'
    assert decode(Sheet, encode(Sheet(count=0)), origin="x") == Sheet(count=0)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b'{"count": "three"}', "sheet.json: Expected `int | null`, got `str` at count"),
        (b'{"bays": [{"height_mm": "9.5"}]}', "sheet.json: Expected `float`, got `str` at bays[0].height_mm"),
        (b'{"bays": [{"height_mm": 9.5, "hight": 1}]}', "sheet.json: Object contains unknown field `hight` at bays[0]"),
        (b"{", "sheet.json: is not valid JSON: Input data was truncated. The file is truncated: get it again."),
        (b'{"x": "\xff"}', "sheet.json: is not UTF-8 text"),
    ],
    ids=["type", "nested type", "unknown key of a strict value", "cut short", "not text"],
)
def test_wrong_json_is_named_with_its_key(data: bytes, message: str) -> None:
    with pytest.raises(BadInput) as caught:
        decode(Sheet, data, origin="sheet.json")
    assert caught.value.message() == message


class Slip(Value, frozen=True, kw_only=True):
    schema: Literal["drivecare/slip-2"] = "drivecare/slip-2"
    count: int


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (
            b'{"schema": "drivecare/plan-1", "count": 1}',
            "x.json: is drivecare/plan-1, not the slip needed here. Give a drivecare/slip-2 file.",
        ),
        (
            b'{"schema": "drivecare/slip-3"}',
            "x.json: is of another version (drivecare/slip-3), this drivecare reads drivecare/slip-2."
            " Use the drivecare that wrote it.",
        ),
        (b'{"schema": 7, "count": ', "x.json: is not a drivecare slip. Its schema must be drivecare/slip-2."),
        (b"[]", "x.json: is not a drivecare slip. Its schema must be drivecare/slip-2."),
        (b"{}", "x.json: is not a drivecare slip. Its schema must be drivecare/slip-2."),
        (b'{"schema": 7}', "x.json: is not a drivecare slip. Its schema must be drivecare/slip-2."),
        (b'{"schema": "drivecare/slip-2"}', "x.json: Object missing required field `count`"),
    ],
    ids=[
        "another kind",
        "another version",
        "a number, cut short",
        "a list",
        "no schema",
        "a number for a schema",
        "right, and incomplete",
    ],
)
def test_another_document_is_called_by_its_name(data: bytes, message: str) -> None:
    with pytest.raises(BadInput) as caught:
        decode(Slip, data, origin="x.json")
    assert caught.value.message() == message


def test_wrong_toml_is_named_with_its_key() -> None:
    with pytest.raises(BadInput, match=r"bay.toml: Expected `float`, got `str` at height_mm"):
        decode_toml(Bay, b'height_mm = "tall"', origin="bay.toml")
    with pytest.raises(BadInput, match=r"bay.toml: is not valid TOML: Invalid value"):
        decode_toml(Bay, b"height_mm =", origin="bay.toml")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('side = "up"', "shelf.toml: Invalid enum value 'up', choose one of: left, right at side"),
        ('kinds = ["hdd", "tape"]', "shelf.toml: Invalid enum value 'tape', choose one of: hdd, ssd at kinds[1]"),
    ],
)
def test_a_wrong_word_is_answered_with_the_right_ones(text: str, message: str) -> None:
    with pytest.raises(BadInput) as caught:
        decode_toml(Shelf, text.encode(), origin="shelf.toml")
    assert caught.value.message() == message


@pytest.mark.parametrize("opening", [b"[", b'{"a":', b'{"x":[[{"y":'], ids=["arrays", "objects", "both"])
def test_json_that_is_nested_too_deeply_is_refused_before_it_is_parsed(opening: bytes) -> None:
    with pytest.raises(BadInput, match=r"x\.json: is nested more than 32 levels deep"):
        decode(Sheet, opening * 100_000, origin="x.json")


@pytest.mark.parametrize(
    "before",
    [rb'"\\\\"', rb'"\""', b'"a]}"', rb'""', b'"]","]"'],
    ids=["backslash", "quote", "closed", "empty", "two"],
)
def test_what_stands_in_a_string_hides_no_depth(before: bytes) -> None:
    for depth, refused in ((30, False), (32, True)):
        with pytest.raises(BadInput) as caught:
            decode(Sheet, b'{"count": [' + before + b", " + b"[" * depth + b"]" * depth + b"]}", origin="x.json")
        assert ("levels deep" in caught.value.message()) == refused


def test_brackets_in_a_string_do_not_count_as_depth() -> None:
    text = "[" * 1000 + '\\"{' * 1000
    assert decode(Sheet, json.dumps({"count": 1, "note": text}).encode(), origin="x") == Sheet(count=1)
    toml = f"height_mm = 1  # {'[' * 99}\nname = '{'[' * 99}'"
    assert decode_toml(Bay, toml.encode(), origin="x").name == "[" * 99
    for quotes in ("'''", '"""'):
        toml = f"height_mm = 1\nname = {quotes}{quotes[0]}{quotes[0]}x{'[' * 99}{quotes[0]}{quotes}"
        assert decode_toml(Bay, toml.encode(), origin="x").name.endswith("[" + quotes[0])


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("x = " + "[" * 100_000, "is nested more than 32 levels deep"),
        ("x = ['''x'''', " + "[" * 100_000, "is nested more than 32 levels deep"),
        ("a." * 100_000 + "b = 1", "has a key of more than 16 parts"),
        ("[" + '"a" . ' * 100_000 + "b]", "has a key of more than 16 parts"),
        ("x = " + "9" * 5000, "is not valid TOML: Exceeds the limit"),
    ],
    ids=["nested", "nested behind a string", "dotted key", "dotted header", "digits"],
)
def test_toml_that_would_exhaust_the_machine_is_refused_in_one_line(text: str, what: str) -> None:
    with pytest.raises(BadInput, match=f"x.toml: {what}"):
        decode_toml(Bay, text.encode(), origin="x.toml")


def test_a_profile_may_have_dots_in_numbers_and_keys() -> None:
    text = "height_mm = 9.5\n# " + "1.5, " * 100 + "\n"
    assert decode_toml(Bay, text.encode(), origin="x").height_mm == 9.5
    with pytest.raises(BadInput, match="unknown field"):
        decode_toml(Bay, ("height_mm = 1\nx = [" + "1.5, " * 100 + "]").encode(), origin="x")


def test_a_newer_version_may_add_fields() -> None:
    assert decode(Sheet, b'{"count": 1, "added_later": true}', origin="x") == Sheet(count=1)


def test_read_bytes_says_what_is_wrong(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"there is no such file\. Check the path\."):
        read_bytes(tmp_path / "none")
    with pytest.raises(BadInput, match="is a folder, not a file"):
        read_bytes(tmp_path)
    with pytest.raises(BadInput, match="not a regular file"):
        read_bytes(Path("/dev/null"))
    (tmp_path / "big").write_bytes(b"x" * 11)
    with pytest.raises(BadInput, match="larger than 10 bytes"):
        read_bytes(tmp_path / "big", limit_bytes=10)


@pytest.mark.parametrize(
    ("error", "code", "exit_code"),
    [
        (BadInput("x"), "bad-input", 3),
        (NoDrive("x"), "no-drive", 3),
        (Unavailable("x"), "unavailable", 3),
        (Refused("x", guard="in-use"), "refused", 22),
        (Interrupted("x"), "interrupted", 23),
    ],
    ids=lambda value: getattr(value, "code", None),
)
def test_every_error_has_its_exit_code(error: DriveCareError, code: str, exit_code: int) -> None:
    assert (error.code, error.exit_code) == (code, exit_code)


def test_a_message_says_where_what_and_what_to_do() -> None:
    error = BadInput("is not text", location="a.txt", hint="Save it as UTF-8.")
    assert error.message() == "a.txt: is not text. Save it as UTF-8."
