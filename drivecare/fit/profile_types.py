"""What a profile's keys must hold, said to the person who writes it: every fault at once, each with its key.

The types of `host_profile` are the only rules; a value that they refuse is described here by what it must be.
"""

from __future__ import annotations

import contextlib
import difflib
import re
from collections.abc import Iterator
from types import UnionType
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin

import msgspec

from drivecare.documents import Strict, convert
from drivecare.fit.host_profile import Problem
from drivecare.reading.locale_numbers import parse_number

# What a number may look like, by the end of its key.
_EXAMPLES: Final = {"_mm": "9.5", "_amps": "0.9", "_gbps": "6.0", "_bytes": "500_107_862_016", "_gb": "40"}


def find_type_faults(kind: type[Strict], table: object, key: str = "") -> Iterator[Problem]:
    """Find every key of `table` that is missing, unknown or of a wrong type; `key` is that of the table itself."""
    if not isinstance(table, dict):
        yield Problem(key=key, reason=f"must be a table: write [{key}] on a line of its own")
        return
    fields = {field.encode_name: field for field in msgspec.structs.fields(kind)}
    for name in [name for name in table if name not in fields]:
        alike = difflib.get_close_matches(name, fields, n=1)
        guess = f"; did you mean {alike[0]}?" if alike else f", which has: {', '.join(fields)}"
        yield Problem(key=f"{key}.{name}".lstrip("."), reason=f"is not a key of this table{guess}")
    for name, field in fields.items():
        place = f"{key}.{name}".lstrip(".")
        if name in table:
            yield from _find_value_faults(field.type, table[name], place)
        elif field.required:
            yield Problem(key=place, reason=f"is missing: {_describe_need(field.type, place, None)}")


def _find_value_faults(declared: Any, value: object, key: str) -> Iterator[Problem]:
    declared = _without_none(declared)
    if isinstance(declared, type) and issubclass(declared, Strict):
        yield from find_type_faults(declared, value, key)
    elif get_origin(declared) is tuple and isinstance(value, list):
        for index, item in enumerate(value):
            yield from _find_value_faults(get_args(declared)[0], item, f"{key}[{index}]")
    else:
        try:
            convert(declared, value)
        except ValueError:
            yield Problem(key=key, reason=_describe_need(declared, key, value))


def _without_none(declared: Any) -> Any:
    if get_origin(declared) in (Union, UnionType):
        return next(member for member in get_args(declared) if member is not type(None))
    return declared


def _describe_need(declared: Any, key: str, value: object) -> str:
    """Say what a key must hold: "must be a number: 9.5, without quotes"."""
    declared = _without_none(declared)
    limits = msgspec.Meta()
    if get_origin(declared) is Annotated:
        declared, *notes = get_args(declared)
        limits = next(note for note in notes if isinstance(note, msgspec.Meta))
    if limits.description is not None:
        return f"must be {limits.description}"
    if get_origin(declared) is Literal:
        mistake = "must be one of" if value is None else f"{value!r} is none of"
        return f"{mistake}: {', '.join(get_args(declared))}"
    if get_origin(declared) is tuple:
        return "must be a list in square brackets, with commas between its items"
    if declared in (int, float):
        bound = "" if limits.gt is None else f" above {limits.gt:g}"
        whole = "whole " if declared is int else ""
        return f"must be a {whole}number{bound}: {_example(declared, key, value)}, without quotes"
    if declared is bool:
        return "must be true or false, without quotes"
    if isinstance(declared, type) and issubclass(declared, Strict):
        return f"must be a table: [{key}] on a line of its own, its keys below it"
    return "must be text in double quotes, and not empty" if limits.min_length else "must be text in double quotes"


def _example(declared: type, key: str, value: object) -> str:
    """The number that was meant, as TOML spells it; else one such as this key holds."""
    if isinstance(value, str) and re.fullmatch(r"[\d.,' ]*\d", value):
        with contextlib.suppress(ValueError):
            number = parse_number(value)
            return f"{number:g}" if declared is float else f"{number:.0f}"
    usual = "4" if declared is int else "1.5"
    return next((example for suffix, example in _EXAMPLES.items() if key.endswith(suffix)), usual)
