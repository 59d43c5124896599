"""What a label says: whether it names a unit in this revision, and which profiles are worth a second look."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator
from typing import Final

from drivecare.fit.host_profile import Host, Label
from drivecare.fit.standards import connectors
from drivecare.reading.typed_text import plain_signs

_SIGNS: Final = r"[\s._/-]"
_MARK: Final = rf"(?:{_SIGNS}?[A-Z]{{1,3}}|{_SIGNS}[A-Z][0-9]{{1,2}})?"  # behind the number: B, EUR, -A1
_MISREAD: Final = str.maketrans("OIL", "011")
_LEAST_ALIKE: Final = 0.7  # of two spellings; "bay-2.5-7" and "bay-3.5" reach 0.75, strangers stay below 0.6
_MOST_NEAR_MISSES: Final = 6


def label_matches(label: str, host: Host) -> bool:
    """Whether the label names this unit in this revision.

    The revision stands before the country; a hyphen, full stop or slash between numbers can only part these two.
    """
    scheme = host.label
    return scheme is not None and any(
        digits.startswith(revision) and len(digits) - len(revision) in (0, scheme.region_digits)
        if region is None
        else digits == revision and len(region) == scheme.region_digits
        for digits, region in _numbers_after(scheme.prefix, label)
        for revision in scheme.revisions
    )


def _numbers_after(prefix: str, label: str) -> Iterator[tuple[str, str | None]]:
    """Every number after `prefix` as a word of its own, and the one behind its hyphen, full stop or slash.

    A prefix that ends in a digit needs a sign between itself and the number.
    """
    between = _SIGNS + ("+" if prefix[-1].isdigit() else "*")
    number = r"([0-9]+)(?:[._/-]([0-9]+))?"
    pattern = rf"(?<![A-Z0-9]){prefix}{between}{number}{_MARK}(?![A-Z0-9]|[._/-][A-Z0-9])"
    for match in re.finditer(pattern, plain_signs(label).upper()):
        yield match[1], match[2]


def split_words(text: str) -> set[str]:
    """Split a text into its words, and a number from the unit written to it: 7mm."""
    return set(re.findall(r"[a-z0-9.]+", re.sub(r"(?<=\d)(?=mm\b)", " ", text.casefold())))


def describing_words(host: Host) -> set[str]:
    """Collect the words by which a person may ask for a unit or bay."""
    interface = host.interface
    names = [host.id, host.name, host.what, connectors()[interface.connector].name, *interface.protocols]
    return split_words(" ".join([*names, *(["ide"] if "pata" in interface.protocols else [])]))


def near_misses(label: str, hosts: Iterable[Host]) -> list[str]:
    """Ids worth a second look, the closest first."""
    scores = {host.id: _score_likeness(label, host) for host in hosts}
    near = sorted((key for key, score in scores.items() if score > 0), key=lambda key: (-scores[key], key))
    return near[:_MOST_NEAR_MISSES]


def _score_likeness(label: str, host: Host) -> float:
    """By the label's scheme from 1 to 3, by shared words and spelling up to 1; 0 where nothing is alike."""
    words = split_words(label)
    shared = len(words & describing_words(host)) / (len(words) or 1)
    spelling = difflib.SequenceMatcher(None, label.strip().casefold(), host.id).ratio()
    by_words = max(shared if shared >= 0.5 else 0.0, spelling if spelling >= _LEAST_ALIKE else 0.0)
    if host.label is None:
        return by_words
    bare = label.strip()[:1].isdigit() and label_matches(f"{host.label.prefix} {label.strip()}", host)
    return max(by_words, 1.0 if bare else 0.0, _score_scheme(label, host.label))


def _score_scheme(label: str, scheme: Label) -> float:
    """2 to 3 where the prefix is right, letters taken for digits or not; 1 to 2 where it is one slip away."""
    text = plain_signs(label).upper()
    best = 2.0 if text.strip(" -./_") == scheme.prefix else 0.0
    number = r"((?:[OIL](?=[0-9])|[0-9])[0-9OIL]*)"
    for match in re.finditer(rf"(?<![A-Z0-9])([A-Z0-9]*?[A-Z]|[A-Z0-9]+?(?={_SIGNS})){_SIGNS}*{number}", text):
        prefix, digits = match[1], match[2].translate(_MISREAD)
        if prefix.translate(_MISREAD) == scheme.prefix.translate(_MISREAD):
            best = max(best, 2 + _score_digits(digits, scheme))
        elif _is_one_slip(prefix, scheme.prefix):
            best = max(best, 1 + _score_digits(digits, scheme))
    return best


def _is_one_slip(text: str, other: str) -> bool:
    """Whether one letter is missing, too many or another one, or two neighbours have changed places."""
    if len(text) == len(other):
        differing = [index for index, pair in enumerate(zip(text, other, strict=True)) if pair[0] != pair[1]]
        swapped = len(differing) == 2 and differing[1] == differing[0] + 1 and sorted(text) == sorted(other)
        return len(differing) == 1 or swapped
    longer, shorter = sorted((text, other), key=len, reverse=True)
    return any(longer[:index] + longer[index + 1 :] == shorter for index in range(len(longer)))


def _score_digits(digits: str, scheme: Label) -> float:
    """1 where they begin with the revision, else less the farther the nearest one is."""
    distances = [abs(int(digits[: len(revision)]) - int(revision)) for revision in scheme.revisions]
    return max((1 / (1 + distance) for distance in distances), default=0.0)
