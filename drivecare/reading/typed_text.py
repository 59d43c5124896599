"""Text as people and their programs type it: typographic signs, the headings of lists, what separates their cells."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

# What word processors and spreadsheets put for a plain sign, and the sign.
_PLAIN_SIGNS: Final = str.maketrans(
    dict.fromkeys("‐‑‒–—−", "-")
    | dict.fromkeys("“”„″", '"')
    | dict.fromkeys("‘’‚′", "'")
    | dict.fromkeys("\u00a0\u202f\u2009", " ")
    | {"½": ".5", "×": "x", "¹": "^1", "⁴": "4", "⁵": "5", "⁶": "6", "⁷": "7", "⁸": "8"}
)
SEPARATORS: Final = ";\t,"
# A heading may carry the unit of its cells: "Height (mm)", "Capacity GB".
UNIT_OF_HEADING: Final = re.compile(r"[(\[]\s*([^)\]]*?)\s*[)\]]|(?<=[\s_])(mm|cm|gb|tb|ma|a|eur|usd|mb/s|gb/s|tbw)$")
MODEL_HEADINGS: Final = ("model_no", "model_number", "part_no", "part_number", "p/n", "mpn", "modell")


def plain_signs(text: str) -> str:
    """Replace typographic dashes, quotation marks and spaces by those on a keyboard."""
    return text.translate(_PLAIN_SIGNS)


def find_separator(line: str) -> str:
    """The sign that separates the cells of a list, by its line of headings."""
    return max(SEPARATORS, key=line.count)


def spell_heading(cell: str) -> str:
    """Lower case, words joined by _, without a full stop, colon or number sign: "Serial No." is serial_no."""
    plain = UNIT_OF_HEADING.sub("", plain_signs(cell).strip().lower()).strip(" .:#_")
    return re.sub(r"[\s_-]+", "_", plain.replace(". ", " "))


def match_headings(headings: Iterable[str], columns: Mapping[str, Sequence[str]]) -> list[str]:
    """The columns that these headings mean, or the heading spelled plainly where it means none.

    `columns`: each with other headings for it. One under its own name goes before one under another.
    """
    spelled = [spell_heading(heading) for heading in headings]
    meanings = {other: name for name, others in columns.items() for other in others} | {name: name for name in columns}
    own_names = set(spelled) & set(columns)
    matched: list[str] = []
    for plain in spelled:
        column = meanings.get(plain, plain)
        matched.append(plain if plain != column and (column in own_names or column in matched) else column)
    return matched
