"""Make foreign text harmless to look at. This module imports nothing of ours.

A drive's own words, file names, notes and stock cells may hold characters that control a terminal or reorder the text
beside them. Wherever such text can reach a reader (a screen, a page, a JSON document printed on a terminal), each of
these characters is shown as an escape: `\\x1b`, `\\u202e`, `\\U000e0001`.

Everything Unicode does not call printable is escaped: controls (Cc), format characters such as bidirectional marks,
zero-width joiners and soft hyphens (Cf), surrogates from names that are not UTF-8 (Cs), private use and unassigned code
points (Co, Cn), line and paragraph separators (Zl, Zp). Spaces of any width stay. A backslash stays as it is, so the
filter may be applied twice.
"""

from __future__ import annotations

import re
import unicodedata

# In a JSON text these occur inside strings only; the encoder itself escapes what is below U+0020.
_NOT_ASCII = re.compile(r"[\x7f-\U0010ffff]")


def visible(text: str) -> str:
    """One line of text with every invisible character escaped, line feeds too."""
    return text if text.isprintable() else "".join(map(_escape, text))


def visible_lines(text: str) -> str:
    """Several lines: as `visible`, but line feeds stay."""
    return "\n".join(map(visible, text.split("\n")))


def visible_json(document: bytes) -> bytes:
    """A JSON document in UTF-8 with the same characters as JSON escapes; its meaning does not change."""
    if document.isascii() and b"\x7f" not in document:
        return document
    return _NOT_ASCII.sub(lambda match: _json_escape(match[0]), document.decode("utf-8")).encode("utf-8")


def _is_visible(character: str) -> bool:
    return character.isprintable() or unicodedata.category(character) == "Zs"


def _escape(character: str) -> str:
    if _is_visible(character):
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _json_escape(character: str) -> str:
    """RFC 8259, section 7: a code point beyond U+FFFF is written as its two surrogates.

    They are computed: a process that is confined can load no codec for UTF-16.
    """
    if _is_visible(character):
        return character
    code = ord(character)
    beyond = code - 0x10000
    units = (code,) if beyond < 0 else (0xD800 + (beyond >> 10), 0xDC00 + (beyond & 0x3FF))
    return "".join(f"\\u{unit:04x}" for unit in units)
