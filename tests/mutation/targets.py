"""Which files are changed, where in them, and the seeded draw."""

from __future__ import annotations

import ast
import hashlib
import itertools
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.mutation.operators import OPERATORS


def _named(folder: str, *words: str) -> tuple[str, ...]:
    return tuple(f"{folder}/**/*{word}*.py" for word in words)


# What must not be wrong: globs below the top of the tree, and how large a part of a draw each group gets, in percent.
TARGETS: dict[str, tuple[int, tuple[str, ...]]] = {
    "transfer": (44, ("drivecare/transfer/**/*.py", *_named("drivecare/hardware", "held"))),
    "gate": (20, _named("drivecare/job", "gate", "proof", "filed_readings", "job_state")),
    "sameness": (6, (*_named("drivecare/job", "expected_drive"), *_named("drivecare/reading", "identity"))),
    "verdict": (12, _named("drivecare/risk", "verdict", "finding", "signal")),
    "decoder": (18, ("drivecare/reading/**/*.py",)),
}

MOST_EQUIVALENT = 5


class Unsound(Exception):
    """The run itself would prove nothing: a glob that matches nothing, a list that is out of date."""


@dataclass(frozen=True, slots=True, order=True)
class Mutant:
    """One slip at one place: `start` to `end` are bytes of the file, `after` is what stands there instead."""

    file: str
    function: str
    operator: str
    before: str
    after: str
    around: str  # the line it stands in, "@" in its place; "" where it fills its lines
    line: int
    start: int
    end: int
    group: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line} {self.function}, {self.operator}: {self.source}"

    @property
    def source(self) -> str:
        """The text that was there and what became of it, in one line; of a word or two with what stands around."""
        short = self.around and len(self.before) < 12
        return f"{self.before} -> {self.after}" + (f" in: {self.around}" if short else "")

    def applied(self, source: bytes) -> bytes:
        """The file with the slip in it."""
        return source[: self.start] + self.after.encode() + source[self.end :]


@dataclass(frozen=True, slots=True)
class Equivalent:
    """A slip that nobody could see, with the reason."""

    file: str
    function: str
    operator: str
    source: str
    reason: str

    def covers(self, mutant: Mutant) -> bool:
        return all(getattr(self, key) == getattr(mutant, key) for key in ("file", "function", "operator", "source"))


def files(root: Path) -> Iterator[tuple[str, Path]]:
    """(group, file) of every target, each file in its first group. Raises Unsound where a glob matches nothing."""
    taken: set[Path] = set()
    for group, (_, globs) in TARGETS.items():
        for glob in globs:
            matched = sorted(root.glob(glob))
            if not matched:
                raise Unsound(f"{glob} ({group}) matches no file: bring TARGETS in {__file__} up to date")
            yield from ((group, path) for path in matched if path not in taken)
            taken.update(matched)


def mutants(root: Path) -> list[Mutant]:
    """Every slip in every target."""
    return [
        mutant
        for group, path in files(root)
        for mutant in mutants_of(path.read_bytes(), str(path.relative_to(root)), group)
    ]


def mutants_of(source: bytes, file: str, group: str) -> Iterator[Mutant]:
    """Every slip in one file."""
    lines = source.splitlines(keepends=True)
    starts = [0, *itertools.accumulate(map(len, lines))]
    for function, node in _nodes(ast.parse(source)):
        for operator, slips in OPERATORS.items():
            for old, new in slips(node):
                assert isinstance(old, ast.expr | ast.stmt)
                start, end = starts[old.lineno - 1] + old.col_offset, starts[(old.end_lineno or 0) - 1]
                end += old.end_col_offset or 0
                before = " ".join(source[start:end].decode().split())
                after = ast.unparse(ast.fix_missing_locations(new))
                after = f"({after})" if isinstance(new, ast.expr) else after
                line = lines[old.lineno - 1]
                around = (line[: old.col_offset] + b"@" + source[end : starts[old.end_lineno or 0]]).decode().strip()
                if not before.startswith("elif "):
                    yield Mutant(
                        file, function, operator, before, after, around.strip("@"), old.lineno, start, end, group
                    )


def _nodes(tree: ast.Module) -> Iterator[tuple[str, ast.AST]]:
    """(function, node) of all that runs inside functions: no annotations, defaults, assertions, words of messages."""

    def below(node: ast.AST, function: str, returns: str | None) -> Iterator[tuple[str, ast.AST]]:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            name = f"{function}.{node.name}" if function else node.name
            inner = None if isinstance(node, ast.ClassDef) else ast.unparse(node.returns) if node.returns else ""
            for statement in node.body:
                yield from below(statement, name, inner)
            return
        if isinstance(node, ast.Assert | ast.JoinedStr):
            return
        if returns is not None:  # inside a function
            if isinstance(node, ast.Return):
                node.returns = returns  # type: ignore[attr-defined]
            yield function, node
        if isinstance(node, ast.Raise):  # the raise as a whole; its words and hints are not what a run is about
            return
        for name, value in ast.iter_fields(node):
            if name != "annotation":
                for child in value if isinstance(value, list) else [value]:
                    if isinstance(child, ast.AST):
                        yield from below(child, function, returns)

    yield from below(tree, "", None)


def draw(every: list[Mutant], count: int, seed: int) -> list[Mutant]:
    """`count` of them: each group its part, every operator of a group in turn, so that no frequent one crowds out.

    The lot of each hangs on the seed and its own words alone, so that a change elsewhere leaves it drawn or not, and a
    smaller draw is part of a larger one.
    """
    parts = {group: max(1, count * percent // 100) for group, (percent, _) in TARGETS.items()}
    parts[next(iter(parts))] += max(0, count - sum(parts.values()))
    drawn: list[Mutant] = []
    for group, part in parts.items():
        piles: dict[str, list[Mutant]] = {}
        for mutant in sorted((m for m in every if m.group == group), key=lambda mutant: _lot(seed, mutant)):
            piles.setdefault(mutant.operator, []).append(mutant)
        order = sorted(piles, key=lambda operator: _lot(seed, f"{group} {operator}"))
        rounds = itertools.zip_longest(*(piles[operator] for operator in order))
        drawn += [mutant for mutant in itertools.chain.from_iterable(rounds) if mutant is not None][:part]
    return drawn


def _lot(seed: int, what: Mutant | str) -> bytes:
    words = what if isinstance(what, str) else f"{what.function} {what.operator} {what.before} -> {what.after}"
    return hashlib.sha256(f"{seed} {words}".encode()).digest()


def load_equivalent(path: Path, every: list[Mutant]) -> list[Equivalent]:
    """The argued list. Raises Unsound where it is too long, or names what is no longer there."""
    entries = [Equivalent(**entry) for entry in tomllib.loads(path.read_text()).get("equivalent", [])]
    if len(entries) > MOST_EQUIVALENT:
        raise Unsound(f"{path} lists {len(entries)}; at most {MOST_EQUIVALENT} may be argued away")
    for entry in entries:
        if not entry.reason.strip():
            raise Unsound(f"{path} gives no reason for {entry.source}")
        if not any(entry.covers(mutant) for mutant in every):
            raise Unsound(f"{path} names {entry.file} {entry.function}: {entry.source}, which is no longer there")
    return entries
