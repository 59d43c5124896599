"""Documents: the JSON that drivecare writes, and everything it takes in, checked where it enters.

A type that goes into or comes out of a file derives from `Value`. Wrong types are refused with the key ("Expected
`int`, got `str` at bay.height_mm"). Our own documents ignore fields they do not know, so that a newer version may add
some; profiles, which people write by hand, derive from `Strict` and refuse them, so that a typing mistake is caught.
"""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, TypeVar

import msgspec

from drivecare.errors import BadInput, Unavailable
from drivecare.visible import visible_json

PlainPath = Annotated[str, msgspec.Meta(max_length=4096, pattern=r"^[^\x00]*$")]
"""A path in a document, as Linux accepts it (PATH_MAX of linux/limits.h). One that no file can have is refused."""


class Value(msgspec.Struct, frozen=True, kw_only=True):
    """A frozen value, compared by its content. Use tuples inside."""


class Strict(Value, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value written by hand: an unknown key is an error."""


# Input is bounded before it is parsed: a document may have been made to exhaust the machine. Each limit is far above
# what drivecare or a person writes, so that nobody meets it with an honest file.
MOST_BYTES = 64 << 20
"""Of any document: a receipt of 65,536 chunks and as many unreadable areas takes 14 MB."""
MOST_PROFILE_BYTES = 1 << 20
"""Of a host profile: the longest that ships takes 3 kB."""
MOST_REPORT_BYTES = 1 << 20
"""Of a drive's text report: the longest in fixtures/reports takes 11 kB, one with every log about ten times that."""
MOST_DEPTH = 32
"""Of nested arrays and tables: our deepest document, a plan, has 5."""
MOST_KEY_PARTS = 16
"""Of a dotted key in TOML: a profile needs 3. The parser's time grows with their square."""
MOST_CHUNKS = 65_536
"""Of a copy, whatever its size: receipts and journals promise it, and it keeps memory constant."""
MOST_LINE_LETTERS = 4096
"""Of a line in a text report: the longest in fixtures/reports has 114."""
MOST_STOCK_LINES = 10_000
"""Of a stock list: a shelf holds dozens of drives, and a plan judges each."""
MOST_CELL_LETTERS = 400
"""Of a cell in a stock list. Reading a cell may take the square of its length."""
MOST_ROW_LETTERS = 1 << 20
"""Of a row in a table of drives: one with 200 columns of ten digits has 2,200."""

Decoded = TypeVar("Decoded")

# Every pattern also matches a text that is never closed, to the end, so that none is tried twice over the same bytes.
_JSON_STRING = re.compile(rb'"[^"]*+(?:"|\Z)')  # without escapes
# Strings of TOML 1.0 in their four kinds, and comments: what stands in them is not structure. No group with a choice
# in it is possessive: Python 3.11.2, which is Debian 12's, loses its place in one (CPython issue 106052).
_TOML_TEXT = re.compile(
    rb'"""(?:[^"\\]++|\\.|"(?!""))*(?:"{3,5}|\\?\Z)|'
    rb"'''(?:[^']++|'(?!''))*(?:'{3,5}|\Z)|"
    rb'"[^"\\\n]*+(?:\\[^\n][^"\\\n]*+)*+(?:"|\\?(?=\n|\Z))|'
    rb"'[^'\n]*+(?:'|(?=\n|\Z))|"
    rb"#[^\n]*+",
    re.DOTALL,
)
_BRACKETS = b"[]{}"
_NO_BRACKETS = bytes(set(range(256)) - set(_BRACKETS))
_NO_BRACKETS_OR_QUOTES = bytes(set(_NO_BRACKETS) - set(b'"'))
_MANY_KEY_PARTS = re.compile(rb"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){%d}" % MOST_KEY_PARTS)


def encode(document: Value, **more: Value | None) -> bytes:
    """The document as indented UTF-8 JSON with a final newline; equal documents give equal bytes.

    `more` are keys to add to it, but for those that are None. Invisible characters are JSON escapes, so that it can be
    viewed on any terminal. Raises BadInput where a text in it, such as a file's name, is not UTF-8.
    """
    try:
        added = {key: value for key, value in more.items() if value is not None}
        content = {**msgspec.to_builtins(document), **added} if added else document
        return visible_json(msgspec.json.format(msgspec.json.encode(content), indent=2) + b"\n")
    except UnicodeEncodeError as error:
        text = error.object.encode("ascii", "backslashreplace").decode()
        raise BadInput("is not UTF-8 text", location=repr(text), hint="Rename it, or type it in UTF-8.") from error


def decode(kind: type[Decoded], data: bytes, *, origin: str) -> Decoded:
    """Parse JSON bytes as `kind`. Raises BadInput naming `origin`, the key and the reason."""
    try:
        data.decode("utf-8")  # msgspec does not check what it skips
        _refuse_depth(_brackets_of_json(data), origin)
        return msgspec.json.decode(data, type=kind)
    except msgspec.ValidationError as error:
        raise _explain_other_schema(kind, data, origin) or _explain_failure(error, origin, "JSON", kind) from error
    except msgspec.DecodeError as error:
        raise _explain_failure(error, origin, "JSON", kind) from error
    except UnicodeDecodeError as error:
        raise BadInput("is not UTF-8 text", location=origin) from error


def decode_toml(kind: type[Decoded], data: bytes, *, origin: str) -> Decoded:
    """Parse TOML bytes as `kind`. Raises BadInput naming `origin`, the key and the reason."""
    try:
        text = data.decode("utf-8")
        structure = _TOML_TEXT.sub(b"_", data)
        _refuse_depth(structure.translate(None, _NO_BRACKETS), origin)
        if _MANY_KEY_PARTS.search(structure):
            raise BadInput(f"has a key of more than {MOST_KEY_PARTS} parts", location=origin, hint=_GET_ANEW)
        table: dict[str, Any] = tomllib.loads(text)
        return msgspec.convert(table, type=kind)
    except UnicodeDecodeError as error:
        raise BadInput("is not UTF-8 text", location=origin) from error
    except ValueError as error:  # the parser raises others than TOMLDecodeError, too: for a number of 5,000 digits
        raise _explain_failure(error, origin, "TOML", kind) from error


def convert(kind: Any, value: object) -> Any:
    """Take a part of a document that was parsed already as `kind`. Raises ValueError where it is not one."""
    return msgspec.convert(value, type=kind)


_GET_ANEW = "No honest file is like that: get a new copy from where it was made."


def decode_shipped(kind: type[Decoded], name: str) -> Decoded:
    """Decode a TOML table that ships with drivecare; `name` is its path below profiles/."""
    return decode_toml(kind, files("drivecare.profiles").joinpath(name).read_bytes(), origin=f"profiles/{name}")


def _brackets_of_json(data: bytes) -> bytes:
    """The brackets outside of strings, as far as a parser would come: a backslash outside of one stops it.

    Quickly, since every result of a job passes here: two quotes side by side never change what is within a string.
    """
    quoted = data.replace(b"\\\\", b"").replace(b'\\"', b"").translate(None, _NO_BRACKETS_OR_QUOTES)
    return _JSON_STRING.sub(b"", quoted.replace(b'""', b""))


def _refuse_depth(brackets: bytes, origin: str) -> None:
    """Raise BadInput where brackets are nested deeper than MOST_DEPTH."""
    nested, levels = brackets, 0
    while levels < 8 and nested:  # taking out the innermost pairs takes at most two levels; most documents have six
        nested, levels = nested.replace(b"[]", b"").replace(b"{}", b""), levels + 2
    if levels + len(nested) <= MOST_DEPTH:
        return
    depth = 0
    for bracket in brackets:
        depth += 1 if bracket in b"[{" else -1
        if depth > MOST_DEPTH:
            raise BadInput(f"is nested more than {MOST_DEPTH} levels deep", location=origin, hint=_GET_ANEW)


class _SchemaField(Value, frozen=True, kw_only=True):
    schema: str = ""


def _explain_other_schema(kind: type[Any], data: bytes, origin: str) -> BadInput | None:
    """The error where a document of one kind was given for another; None where it is the right kind, but wrong."""
    fields = msgspec.structs.fields(kind) if issubclass(kind, msgspec.Struct) else ()
    expected = next((str(field.default) for field in fields if field.name == "schema"), None)
    if expected is None:
        return None
    name = expected.removeprefix("drivecare/").rpartition("-")[0]
    try:
        schema = msgspec.json.decode(data, type=_SchemaField).schema
    except msgspec.DecodeError:  # of another type, or broken after the place that was already wrong
        schema = ""
    if schema == expected:
        return None
    if not schema:
        return BadInput(f"is not a drivecare {name}", location=origin, hint=f"Its schema must be {expected}.")
    if schema.rpartition("-")[0] == expected.rpartition("-")[0]:
        return BadInput(
            f"is of another version ({schema}), this drivecare reads {expected}",
            location=origin,
            hint="Use the drivecare that wrote it.",
        )
    return BadInput(f"is {schema}, not the {name} needed here", location=origin, hint=f"Give a {expected} file.")


def _explain_failure(error: Exception, origin: str, language: str, kind: type[Any]) -> BadInput:
    reason, _, place = str(error).partition(" - at `$")
    if isinstance(error, msgspec.ValidationError):
        key = place.rstrip("`").lstrip(".")
        choices = _allowed_words(kind, key) if reason.startswith("Invalid enum value") else ()
        if choices:
            reason += f", choose one of: {', '.join(choices)}"
        return BadInput(reason + (f" at {key}" if key else ""), location=origin)
    hint = "The file is truncated: get it again." if "truncated" in reason else None
    return BadInput(f"is not valid {language}: {reason}", location=origin, hint=hint)


def _allowed_words(kind: type[Any], key: str) -> tuple[str, ...]:
    """The words allowed at a key of a document, such as `interface.protocols[0]`, where only some are."""
    from msgspec import inspect

    def without_none(declared: inspect.Type) -> inspect.Type:
        if isinstance(declared, inspect.UnionType):
            return next(member for member in declared.types if not isinstance(member, inspect.NoneType))
        return declared

    declared = without_none(inspect.type_info(kind))
    for part in re.findall(r"\w+|\[\.*\d*\]", key):
        if isinstance(declared, inspect.StructType):
            fields = {field.encode_name: field.type for field in declared.fields}
            declared = without_none(fields.get(part, declared))
        elif isinstance(declared, inspect.VarTupleType | inspect.ListType):
            declared = without_none(declared.item_type)
    return tuple(str(value) for value in declared.values) if isinstance(declared, inspect.LiteralType) else ()


def read_bytes(path: Path, *, limit_bytes: int = MOST_BYTES) -> bytes:
    """Read a regular file. Raises BadInput where it is missing, a folder, a device or larger than the limit."""
    try:
        if path.is_dir():
            raise BadInput("is a folder, not a file", location=str(path))
        if path.exists() and not path.is_file():
            raise BadInput("is not a regular file", location=str(path))
        if path.stat().st_size > limit_bytes:
            raise BadInput(f"is larger than {limit_bytes:,} bytes, too large for this kind of file", location=str(path))
        return path.read_bytes()
    except FileNotFoundError as error:
        raise BadInput("there is no such file", location=str(path), hint="Check the path.") from error
    except PermissionError as error:
        raise Unavailable("permission denied", location=str(path), hint="Check its permissions.") from error
    except OSError as error:
        raise Unavailable(f"cannot be read: {error.strerror}", location=str(path)) from error


def load(kind: type[Decoded], path: Path) -> Decoded:
    """Read the JSON document at `path`."""
    return decode(kind, read_bytes(path), origin=str(path))
