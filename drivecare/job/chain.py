"""The chain of a job: one line for each result, each line bound to the one before it.

    0001 0001-opening-20261125T100000Z.json 5c1f...e2 0000...00
    0002 0002-fact-20261125T100210Z.json 9b77...41 77aa...0c

A line holds the number of the result, its file name, the SHA-256 of the file's bytes and the SHA-256 of the line before
(its line feed included; zeros stand before the first). So `sha256sum 0002-*` and `sed -n 1p chain | sha256sum` check
line 2 by hand.

Line N is that of result N: lines are written in the order of the numbers and never after a gap. What the chain can say
therefore has three parts:

    lined results            | results at the end without a line     | anything else
    must be there, unaltered | left by a kill between file and line; | was added by hand
                             | a person may take them up             |

Pure: bytes and listed digests in, an `Audit` out. Reading and writing are left to whoever keeps the results.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

CHAIN = "chain"  # its file name; without .json, so that it is not taken for a result
NOTHING_BEFORE = "0" * 64
_LINE = re.compile(rb"([0-9]{4,5}) ([!-.0-~]{1,255}) ([0-9a-f]{64}) ([0-9a-f]{64})")


@dataclass(frozen=True, kw_only=True, slots=True)
class DigestedFile:
    """A result file and its digest, which is None if it was not computed or, with a `fault`, cannot be."""

    number: int
    file: str
    digest: str | None = None
    fault: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """One line of the chain."""

    number: int
    file: str
    digest: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """What is wrong with one file, in words that follow its name. `renamed_to` is its present name."""

    file: str
    problem: str
    renamed_to: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Chain:
    """A chain as parsed. `end` is what the next line must name; `fragment` a last line that was cut short."""

    links: tuple[Link, ...] = ()
    end: str = NOTHING_BEFORE
    fragment: bytes = b""
    faults: tuple[Fault, ...] = ()

    @property
    def continuable(self) -> bool:
        """Whether another line may follow."""
        return not self.fragment and not self.faults


@dataclass(frozen=True, kw_only=True, slots=True)
class Audit:
    """How the results of a job compare with its chain. `chained` is false for jobs opened before there were chains.

    `unlined`: results at the end that have no line, with everything before them as it was filed.
    """

    chained: bool = True
    faults: tuple[Fault, ...] = ()
    unlined: tuple[DigestedFile, ...] = ()

    @property
    def doubtful(self) -> frozenset[str]:
        """Files that the chain does not confirm to be as they were filed."""
        named = (name for fault in self.faults for name in (fault.file, fault.renamed_to) if name is not None)
        return frozenset(named) | {result.file for result in self.unlined}

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is wrong, a sentence for each file."""
        unlined = (f"{result.file} has no line in the chain, as after an interruption" for result in self.unlined)
        return (*(f"{fault.file} {fault.problem}" for fault in self.faults), *unlined)


def line_for(number: int, file: str, digest: str, before: str) -> bytes:
    """Write the line of a result with this digest, after a line whose digest is `before`."""
    return f"{number:04} {file} {digest} {before}\n".encode("ascii")


def lines_for(results: Iterable[DigestedFile], before: str) -> bytes:
    """Write the lines of several results, which must have digests, in their order."""
    lines = b""
    for result in results:
        assert result.digest is not None
        line = line_for(result.number, result.file, result.digest, before)
        before = hex_sha256(line)
        lines += line
    return lines


def hex_sha256(data: bytes) -> str:
    """Compute the SHA-256 in lower-case hex."""
    return hashlib.sha256(data).hexdigest()


def parse_chain(data: bytes) -> Chain:
    """Parse a chain up to the first malformed line. A line that does not follow the one before is a fault, and kept."""
    links: list[Link] = []
    faults: list[Fault] = []
    end = NOTHING_BEFORE
    *lines, fragment = data.split(b"\n")
    for place, line in enumerate(lines, 1):
        match = _LINE.fullmatch(line)
        if match is None:
            faults.append(Fault(file=CHAIN, problem=f"line {place:,} is not a line of a chain"))
            break
        number, file, digest, before = (field.decode("ascii") for field in match.groups())
        if int(number) != place:
            faults.append(
                Fault(file=CHAIN, problem=f"line {place:,} is numbered {number}: lines were added or removed")
            )
            break
        if before != end:
            faults.append(Fault(file=CHAIN, problem=f"line {place:,} does not follow from the line before it"))
        links.append(Link(number=place, file=file, digest=digest))
        end = hex_sha256(line + b"\n")
    return Chain(links=tuple(links), end=end, fragment=fragment, faults=tuple(faults))


def audit_results(chain: Chain, results: Sequence[DigestedFile]) -> Audit:
    """Compare results with their chain: what was removed, renamed, altered or added, and what has no line yet."""
    lined = {link.file: link for link in chain.links}
    present = {result.file: result for result in results}
    strangers = [result for result in results if result.file not in lined]
    renamed = {stranger.digest: stranger for stranger in strangers if stranger.digest is not None}
    faults = list(chain.faults)
    faults += [
        fault
        for link in chain.links
        if (fault := _compare_with_link(link, present.get(link.file), renamed)) is not None
    ]

    moved = {fault.renamed_to for fault in faults}
    strangers = [stranger for stranger in strangers if stranger.file not in moved]
    unlined = _tail(len(chain.links), strangers)
    faults += [
        Fault(file=stranger.file, problem=stranger.fault or "was added: it has no line in the chain")
        for stranger in strangers
        if stranger not in unlined
    ]
    if chain.fragment and not _begins_a_line(chain, unlined):
        faults.append(Fault(file=CHAIN, problem="ends with a line that was cut short and matches no result"))
    return Audit(faults=tuple(faults), unlined=unlined)


def missing_numbers(numbers: Iterable[int]) -> tuple[tuple[int, int], ...]:
    """List the first and last number of every gap between 1 and the highest number."""
    ordered = sorted({0, *numbers})
    return tuple((lower + 1, upper - 1) for lower, upper in pairwise(ordered) if upper - lower > 1)


def next_number(last_lined: int, numbers: Iterable[int]) -> int:
    """Find the first free number after the last line, whatever far higher number somebody put there by hand."""
    taken, number = set(numbers), last_lined + 1
    while number in taken:
        number += 1
    return number


def _compare_with_link(link: Link, result: DigestedFile | None, renamed: dict[str, DigestedFile]) -> Fault | None:
    if result is None:
        stranger = renamed.get(link.digest)
        if stranger is None:
            return Fault(file=link.file, problem="is gone")
        return Fault(file=link.file, problem=f"was renamed to {stranger.file}", renamed_to=stranger.file)
    if result.fault is not None:
        return Fault(file=link.file, problem=result.fault)
    if result.digest not in (None, link.digest):
        return Fault(file=link.file, problem="was altered since it was filed")
    return None


def _tail(last_lined: int, strangers: Sequence[DigestedFile]) -> tuple[DigestedFile, ...]:
    """Select the results without a line that follow the last line without a gap, one for each number."""
    tail: list[DigestedFile] = []
    for stranger in sorted(strangers, key=lambda result: (result.number, result.file)):
        if stranger.number == last_lined + len(tail) + 1 and stranger.fault is None:
            tail.append(stranger)
    return tuple(tail)


def _begins_a_line(chain: Chain, unlined: Sequence[DigestedFile]) -> bool:
    """Whether the fragment is the beginning of the line that the first result without one would get."""
    if not unlined:
        return False
    written = chain.fragment.rstrip(b"\0")  # a power cut can give a file its length and not yet its bytes
    return unlined[0].digest is None or lines_for(unlined[:1], chain.end).startswith(written)
