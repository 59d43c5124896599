"""A page for a browser and its printer: text is escaped, numbers stay whole, and a page nobody has changed is known."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import TYPE_CHECKING

from drivecare.documents import read_bytes
from drivecare.errors import DriveCareError
from drivecare.format import clip_text
from drivecare.storage import write_file
from drivecare.visible import visible_lines

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

# A word with a digit in it, parts joined by hyphens or commas or ten signs and more, short enough to stand in one line
# of a narrow column: serial numbers, sector counts, world-wide names.
_UNBROKEN = re.compile(r"(?<![\w/&#;,-])(?=[\w,-]*\d)(?=[\w,-]{4,18}(?![\w-]))(?:\w+(?:[,-]\w+)+|\w{10,18})")

# The digest of the page with nothing between these quotes: by it a sheet is known that nobody has written into.
_SEAL = re.compile(rb'(<meta name="page-sha256" content=")([0-9a-f]*)(">)')

# The number of the newest result that a sheet tells of; sheets of 0.1.0 have none.
_NEWEST = re.compile(rb'<meta name="newest-result" content="([0-9]+)">')

# Such a sheet holds names of the customer's files.
_HAS_NAMES = b'<meta name="names-of-files" content="yes">'

LONGEST_TEXT = 400


def page_environment() -> Environment:
    """Make what renders the templates of this room: all text escaped, a name that is missing an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("drivecare.job", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.finalize = _printable
    environment.filters["whole"] = keep_numbers_whole
    return environment


def is_own_page(path: Path) -> bool:
    """Whether `path` is a page of ours just as it was written: one that somebody changed is theirs."""
    if not path.is_file() or path.is_symlink():
        return False
    page = read_bytes(path)
    seal = _SEAL.search(page)
    return seal is not None and _sealed(page) == page


def newest_result_on(path: Path) -> int | None:
    """The number of the newest result that the page at `path` tells of; None where that is not known."""
    try:
        number = _NEWEST.search(read_bytes(path))
    except DriveCareError:  # it is not there, or not ours to read
        return None
    return None if number is None else int(number[1])


def holds_names(path: Path) -> bool:
    """Whether the page at `path` names files of the customer."""
    try:
        return _HAS_NAMES in read_bytes(path)
    except DriveCareError:
        return False


def _sealed(page: bytes) -> bytes:
    """Put the page's own digest into it."""
    blank = _SEAL.sub(rb"\1\3", page, count=1)
    return _SEAL.sub(rb"\g<1>" + hashlib.sha256(blank).hexdigest().encode() + rb"\3", blank, count=1)


def write_page(path: Path, html: str, *, replace: bool) -> None:
    """Write the page to `path`, whole or not at all. Raises Refused if there is a file that it may not `replace`."""
    write_file(path, _sealed(html.encode("utf-8")), replace=replace)


def clip(text: object, length: int = LONGEST_TEXT) -> str:
    """Cut a text to what the page holds."""
    return clip_text(str(text), length)


def keep_numbers_whole(text: object) -> Markup:
    """Mark model and serial numbers in a text, so that they are not broken at their hyphens."""
    from markupsafe import Markup, escape

    safe = str(escape(_printable(str(text))))
    return Markup(_UNBROKEN.sub(r'<span class="whole">\g<0></span>', safe))


def _printable(value: object) -> object:
    """Escape control and direction characters in texts, which would reorder or hide what stands beside them."""
    return visible_lines(value) if type(value) is str else value  # a Markup is ours
