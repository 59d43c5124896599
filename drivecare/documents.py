"""Documents: the JSON that drivecare writes, and everything it takes in, checked where it enters.

A type that goes into or comes out of a file derives from `Value`. Wrong types are refused with the place
("Expected `int`, got `str` - at `$.bay.height_mm`"). Documents of ours ignore fields they do not know, so that a newer
version may add some; profiles, which people write by hand, derive from `Strict` and refuse them, so that a slip of
the pen is found.
"""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from drivecare.errors import BadInput, Unavailable


class Value(msgspec.Struct, frozen=True, kw_only=True):
    """A frozen value, compared by content. Use tuples inside."""


class Strict(Value, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A value written by hand: an unknown key is an error."""


T = TypeVar("T")


def encode(document: Value) -> bytes:
    """The document as indented UTF-8 JSON with a final newline; equal documents give equal bytes.

    Raises BadInput where a text in it, such as a file's name, is not UTF-8.
    """
    try:
        return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"
    except UnicodeEncodeError as error:
        told = error.object.encode("ascii", "backslashreplace").decode()
        raise BadInput("is not UTF-8 text", where=repr(told), hint="Rename it, or type it in UTF-8.") from error


def decode(kind: type[T], data: bytes, *, origin: str) -> T:
    """JSON bytes as `kind`. Raises BadInput naming `origin`, the key and the reason."""
    try:
        data.decode("utf-8")  # msgspec does not look inside what it skips
        return msgspec.json.decode(data, type=kind)
    except msgspec.ValidationError as error:
        raise _other_document(kind, data, origin) or _bad(error, origin, "JSON", kind) from error
    except msgspec.DecodeError as error:
        raise _bad(error, origin, "JSON", kind) from error
    except UnicodeDecodeError as error:
        raise BadInput("is not UTF-8 text", where=origin) from error


def decode_toml(kind: type[T], data: bytes, *, origin: str) -> T:
    """TOML bytes as `kind`. Raises BadInput naming `origin`, the key and the reason."""
    try:
        table: dict[str, Any] = tomllib.loads(data.decode("utf-8"))
        return msgspec.convert(table, type=kind)
    except UnicodeDecodeError as error:
        raise BadInput("is not UTF-8 text", where=origin) from error
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as error:
        raise _bad(error, origin, "TOML", kind) from error


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
    except msgspec.ValidationError:
        given = ""
    if given == wanted:
        return None
    if not given:
        return BadInput(f"is no {name} of drivecare", where=origin, hint=f"It must say schema {wanted}.")
    if given.rpartition("-")[0] == wanted.rpartition("-")[0]:
        return BadInput(
            f"is of another version ({given}), this drivecare reads {wanted}",
            where=origin,
            hint="Use the drivecare that wrote it.",
        )
    return BadInput(f"is {given}, not the {name} that is needed", where=origin, hint=f"Give a file of {wanted}.")


def _bad(error: Exception, origin: str, language: str, kind: type[Any]) -> BadInput:
    reason, _, place = str(error).partition(" - at `$")
    if isinstance(error, msgspec.ValidationError):
        key = place.rstrip("`").lstrip(".")
        choices = _choices(kind, key) if reason.startswith("Invalid enum value") else ()
        if choices:
            reason += f", choose one of: {', '.join(choices)}"
        return BadInput(reason + (f" at {key}" if key else ""), where=origin)
    hint = "The file was cut short: get it again." if "truncated" in reason else None
    return BadInput(f"is not valid {language}: {reason}", where=origin, hint=hint)


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


def read_bytes(path: Path, *, limit_bytes: int = 64 << 20) -> bytes:
    """A regular file's content. Raises BadInput where it is missing, a folder, a device or larger than the limit."""
    try:
        if path.is_dir():
            raise BadInput("is a directory, a file is needed", where=str(path))
        if path.exists() and not path.is_file():
            raise BadInput("is not a regular file", where=str(path))
        if path.stat().st_size > limit_bytes:
            raise BadInput(f"is larger than {limit_bytes:,} bytes, too large for this kind of file", where=str(path))
        return path.read_bytes()
    except FileNotFoundError as error:
        raise BadInput("there is no such file", where=str(path), hint="Check the path.") from error
    except PermissionError as error:
        raise Unavailable("may not be read by you", where=str(path), hint="Check its permissions.") from error
    except OSError as error:
        raise Unavailable(f"cannot be read: {error.strerror}", where=str(path)) from error


def load(kind: type[T], path: Path) -> T:
    """The JSON document at `path`."""
    return decode(kind, read_bytes(path), origin=str(path))
