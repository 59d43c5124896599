"""What programs wrap around a report's text, taken off: mail encoding, HTML, escapes, letters that nobody sees.

A saved mail is quoted-printable (RFC 2045), a saved page is HTML, a text out of a database has its line ends written
as two letters, and word processors set other dashes. Plain text comes back unchanged.
"""

from __future__ import annotations

import html
import quopri
import re

_SOFT_BREAK = re.compile(r"=[ \t]*\r?$", re.M)
_TAGS = r"br|pre|p|div|span|html|head|body|table|tbody|thead|tr|td|th|font|b|i|u|a|code|tt|blockquote|meta|li|ul"
_TAG = re.compile(rf"</?(?:{_TAGS})(?:\s[^<>]{{0,400}})?/?>", re.I)
_LINE_END = re.compile(r"<(?:br\s*/?|/?pre|/p|/div|/tr|/li)(?:\s[^<>]{0,400})?>", re.I)
_ENTITY = re.compile(r"&(?:nbsp|amp|lt|gt|quot|#\d{1,7}|#x[0-9a-f]{1,6});", re.I)
_INVISIBLE = re.compile("[\u00ad\u200b-\u200f\u202a-\u202e\u2060-\u2064\u2066-\u2069\ufeff]")
_HARD_BLANK = re.compile(r"(?<!\d)\u00a0|\u00a0(?!\d)")  # between digits it may group a number
_DASHES = re.compile("[\u2010-\u2015\u2212]")
_FEWEST_SOFT_BREAKS = 3
_FEWEST_ESCAPES = 20


def unwrap(text: str) -> str:
    """The text without what a program wrapped around it."""
    if "=3D" in text and len(_SOFT_BREAK.findall(text)) >= _FEWEST_SOFT_BREAKS:
        text = quopri.decodestring(text.encode()).decode("utf-8", "replace")
    if text.count("\\n") >= _FEWEST_ESCAPES > text.count("\n"):
        text = text.replace("\\r", "").replace("\\n", "\n").replace("\\t", "\t")
    if _TAG.search(text) or _ENTITY.search(text):
        text = html.unescape(_TAG.sub("", _LINE_END.sub("\n", text)))
    if 2 * len(_INVISIBLE.findall(text)) >= text.count("\n"):  # fewer are somebody's name, and are shown
        text = _INVISIBLE.sub("", text)
    if text.count("\u00a0") > text.count(" "):
        text = text.replace("\u00a0", " ")
    text = _HARD_BLANK.sub(" ", text)
    return _DASHES.sub("-", text)
