"""Documents: the JSON that drivecare writes, and everything it takes in, checked where it enters.

A type that goes into or comes out of a file derives from `Value`. Wrong types are refused with the place
("Expected `int`, got `str` - at `$.bay.height_mm`"). Documents of ours ignore fields they do not know, so that a newer
version may add some; profiles, which people write by hand, derive from `Strict` and refuse them, so that a slip of
the pen is found.
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
"""A path in a document, as Linux could take it (PATH_MAX of linux/limits.h). One that no file can have is refused."""


class Value(msgspec.Struct, frozen=True, kw_only=True):
    """A frozen value, compared by content. Use tuples inside."""


class Strict(Value, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value written by hand: an unknown key is an error."""


# What is taken in is bounded before it is parsed: a document may have been made to use up the machine. Each limit is
# far above what drivecare or a person writes, so that nobody meets it with an honest file.
MOST_BYTES = 64 << 20
"""Of any document: a receipt of 65,536 chunks and as many unreadable areas takes 14 MB."""
MOST_PROFILE_BYTES = 1 << 20
"""Of a host profile: the longest that ships takes 3 kB."""
MOST_REPORT_BYTES = 1 << 20
"""Of a drive's text report: the longest in fixtures/reports takes 11 kB, one with every log some ten times that."""
MOST_DEPTH = 32
"""Of arrays and tables within each other: our deepest document, a plan, has 5."""
MOST_KEY_PARTS = 16
"""Of a dotted key in TOML: a profile needs 3. The parser's time grows with their square."""
MOST_CHUNKS = 65_536
"""Of a copy, whatever its size: what a receipt and a journal promise, and what keeps memory constant."""
MOST_LINE_LETTERS = 4096
"""Of a line in a text report: the longest in fixtures/reports has 114."""
MOST_STOCK_LINES = 10_000
"""Of a stock list: a shelf holds dozens of drives, and a plan says something of each."""
MOST_CELL_LETTERS = 400
"""Of a cell in a stock list. What reads such a cell may take the square of its length."""
MOST_ROW_LETTERS = 1 << 20
"""Of a row in a table of drives: one with 200 columns of ten digits has 2,200."""

T = TypeVar("T")

# Every pattern also takes a text that is never closed, to the end, so that none is tried twice over the same bytes.
_JSON_STRING = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+(?:"|\\?\Z)', re.DOTALL)
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
_BRACKET = re.compile(rb"[\[\]{}]")
_MANY_KEY_PARTS = re.compile(rb"(?<![\w-])(?:[\w-]++[ \t]*+\.[ \t]*+){%d}" % MOST_KEY_PARTS)


def encode(document: Value) -> bytes:
    """The document as indented UTF-8 JSON with a final newline; equal documents give equal bytes.

    Characters that do not show themselves are JSON escapes, so that it can be looked at on any terminal.
    Raises BadInput where a text in it, such as a file's name, is not UTF-8.
    """
    try:
        return visible_json(msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n")
    except UnicodeEncodeError as error:
        told = error.object.encode("ascii", "backslashreplace").decode()
        raise BadInput("is not UTF-8 text", location=repr(told), hint="Rename it, or type it in UTF-8.") from error


def decode(kind: type[T], data: bytes, *, origin: str) -> T:
    """JSON bytes as `kind`. Raises BadInput naming `origin`, the key and the reason."""
    try:
        data.decode("utf-8")  # msgspec does not look inside what it skips
        _refuse_depth(_JSON_STRING.sub(b"", data), origin)
        return msgspec.json.decode(data, type=kind)
    except msgspec.ValidationError as error:
        raise _other_document(kind, data, origin) or _bad(error, origin, "JSON", kind) from error
    except msgspec.DecodeError as error:
        raise _bad(error, origin, "JSON", kind) from error
    except UnicodeDecodeError as error:
        raise BadInput("is not UTF-8 text", location=origin) from error


def decode_toml(kind: type[T], data: bytes, *, origin: str) -> T:
    """TOML bytes as `kind`. Raises BadInput naming `origin`, the key and the reason."""
    try:
        text = data.decode("utf-8")
        structure = _TOML_TEXT.sub(b"_", data)
        _refuse_depth(structure, origin)
        if _MANY_KEY_PARTS.search(structure):
            raise BadInput(f"has a key of more than {MOST_KEY_PARTS} parts", location=origin, hint=_DAMAGED)
        table: dict[str, Any] = tomllib.loads(text)
        return msgspec.convert(table, type=kind)
    except UnicodeDecodeError as error:
        raise BadInput("is not UTF-8 text", location=origin) from error
    except ValueError as error:  # the parser lets some through that are no TOMLDecodeError: a number of 5,000 digits
        raise _bad(error, origin, "TOML", kind) from error


_DAMAGED = "No honest file is like that: get it anew from where it was made."


def decode_shipped(kind: type[T], name: str) -> T:
    """Decode a TOML table that ships with drivecare; `name` is its path below profiles/."""
    return decode_toml(kind, files("drivecare.profiles").joinpath(name).read_bytes(), origin=f"profiles/{name}")


def _refuse_depth(structure: bytes, origin: str) -> None:
    """Raise BadInput where brackets lie deeper in each other than MOST_DEPTH; texts are taken out already."""
    depth = 0
    for bracket in _BRACKET.findall(structure):
        depth += 1 if bracket in b"[{" else -1
        if depth > MOST_DEPTH:
            raise BadInput(f"is nested more than {MOST_DEPTH} levels deep", location=origin, hint=_DAMAGED)


class _Named(Value, frozen=True, kw_only=True):
    schema: str = ""


def _other_document(kind: type[Any], data: bytes, origin: str) -> BadInput | None:
    """What to say where a document of one kind was given for another; None where it is the right kind, but wrong."""
    fields = msgspec.structs.fields(kind) if issubclass(kind, msgspec.Struct) else ()
    wanted = next((str(field.default) for field in fields if field.name == "schema"), None)
    if wanted is None:
        return None
    name = wanted.removeprefix("drivecare/").rpartition("-")[0]
    try:
        given = msgspec.json.decode(data, type=_Named).schema
    except msgspec.DecodeError:  # of another type, or broken behind the place that was wrong already
        given = ""
    if given == wanted:
        return None
    if not given:
        return BadInput(f"is no {name} of drivecare", location=origin, hint=f"It must say schema {wanted}.")
    if given.rpartition("-")[0] == wanted.rpartition("-")[0]:
        return BadInput(
            f"is of another version ({given}), this drivecare reads {wanted}",
            location=origin,
            hint="Use the drivecare that wrote it.",
        )
    return BadInput(f"is {given}, not the {name} that is needed", location=origin, hint=f"Give a file of {wanted}.")


def _bad(error: Exception, origin: str, language: str, kind: type[Any]) -> BadInput:
    reason, _, place = str(error).partition(" - at `$")
    if isinstance(error, msgspec.ValidationError):
        key = place.rstrip("`").lstrip(".")
        choices = _choices(kind, key) if reason.startswith("Invalid enum value") else ()
        if choices:
            reason += f", choose one of: {', '.join(choices)}"
        return BadInput(reason + (f" at {key}" if key else ""), location=origin)
    hint = "The file was cut short: get it again." if "truncated" in reason else None
    return BadInput(f"is not valid {language}: {reason}", location=origin, hint=hint)


def _choices(kind: type[Any], key: str) -> tuple[str, ...]:
    """What may stand at a key of a document, such as `interface.protocols[0]`, where only some words may."""
    from msgspec import inspect

    def inner(found: inspect.Type) -> inspect.Type:
        """Without the None that may stand there as well."""
        if isinstance(found, inspect.UnionType):
            return next(one for one in found.types if not isinstance(one, inspect.NoneType))
        return found

    found = inner(inspect.type_info(kind))
    for part in re.findall(r"\w+|\[\.*\d*\]", key):
        if isinstance(found, inspect.StructType):
            fields = {field.encode_name: field.type for field in found.fields}
            found = inner(fields.get(part, found))
        elif isinstance(found, inspect.VarTupleType | inspect.ListType):
            found = inner(found.item_type)
    return tuple(str(value) for value in found.values) if isinstance(found, inspect.LiteralType) else ()


def read_bytes(path: Path, *, limit_bytes: int = MOST_BYTES) -> bytes:
    """A regular file's content. Raises BadInput where it is missing, a folder, a device or larger than the limit."""
    try:
        if path.is_dir():
            raise BadInput("is a directory, a file is needed", location=str(path))
        if path.exists() and not path.is_file():
            raise BadInput("is not a regular file", location=str(path))
        if path.stat().st_size > limit_bytes:
            raise BadInput(f"is larger than {limit_bytes:,} bytes, too large for this kind of file", location=str(path))
        return path.read_bytes()
    except FileNotFoundError as error:
        raise BadInput("there is no such file", location=str(path), hint="Check the path.") from error
    except PermissionError as error:
        raise Unavailable("may not be read by you", location=str(path), hint="Check its permissions.") from error
    except OSError as error:
        raise Unavailable(f"cannot be read: {error.strerror}", location=str(path)) from error


def load(kind: type[T], path: Path) -> T:
    """The JSON document at `path`."""
    return decode(kind, read_bytes(path), origin=str(path))
