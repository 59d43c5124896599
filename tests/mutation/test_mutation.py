"""The machinery: slips are what they say, a draw is fair and always the same, a run tells caught from survived."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import pytest

from tests.mutation import __main__ as command
from tests.mutation import targets
from tests.mutation.operators import OPERATORS
from tests.mutation.runs import Order, Tree
from tests.mutation.targets import Mutant, Unsound, draw, files, load_equivalent, mutants, mutants_of

ROOT = Path(__file__).resolve().parents[2]

SLIPS: dict[str, tuple[str, set[str]]] = {
    "edge moved": ("f(a < b)", {"f((a <= b))"}),
    "comparison flipped": ("f(a == b, c in d)", {"f((a != b), c in d)", "f(a == b, (c not in d))"}),
    "and/or swapped": ("f(a and b)", {"f((a or b))"}),
    "operand dropped": ("f(a and b and c)", {"f((b and c))", "f((a and c))", "f((a and b))"}),
    "condition negated": ("if not a: f()\nf(1 if b else c)", {"if (a): f()", "f(1 if (not b) else c)"}),
    "condition dropped": (
        "f([a for a in b if a])\ng(c if d else e)",
        {"f(([a for a in b]))", "g((c))", "g((e))"},
    ),
    "constant nudged": ("f(7, True)", {"f((8), True)", "f((6), True)", "f(7, (False))"}),
    "arithmetic swapped": ("a += b * c", {"a -= b * c", "a += (b // c)"}),
    "twin called": ("f(min(a), any(b))", {"f((max(a)), any(b))", "f(min(a), (all(b)))"}),
    "argument dropped": ("f(a, b=c)", {"(f(a))"}),
    "slice widened": ("f(a[b:c], d[0])", {"f((a[:c]), d[0])", "f((a[b:]), d[0])", "f(a[b:c], (d[-1]))"}),
    "return replaced": ("return a", {"return not a"}),
    "statement removed": ("f()\nself.a = b\nc = d", {"pass"}),
    "yield removed": ("yield a", {"pass"}),
    "handler narrowed": ("try: f()\nexcept (A, B): g()", {"except ((A,)): g()", "except ((B,)): g()"}),
}  # fmt: skip


def slips(body: str, operator: str, returns: str = "bool") -> list[tuple[str, bytes]]:
    source = f"def function() -> {returns}:\n" + "".join(f"    {line}\n" for line in body.splitlines())
    return [
        (mutant.applied(source.encode()).decode(), source.encode())
        for mutant in mutants_of(source.encode(), "file.py", "group")
        if mutant.operator == operator
    ]


@pytest.mark.parametrize("operator", OPERATORS)
def test_every_slip_is_what_it_says(operator: str) -> None:
    body, expected = SLIPS[operator]
    changed = set()
    for text, source in slips(body, operator):
        assert ast.dump(ast.parse(text)) != ast.dump(ast.parse(source))
        (line,) = [new for new, old in zip(text.splitlines(), source.decode().splitlines(), strict=True) if new != old]
        changed.add(line.strip())
    assert changed == expected


def test_what_no_run_is_about_is_left_alone() -> None:
    """Words of messages, assertions, annotations and defaults, and what runs at import."""
    source = b"""
A = 1 + 1
class C:
    b: int = 2
    def method(self, c: int = 3) -> Literal[4]:
        '''5'''
        assert c > 6, "no"
        return self.call(f"{c + 7}")
"""
    assert list(mutants_of(source, "file.py", "group")) == []


def test_a_slip_keeps_what_stands_around_it() -> None:
    source = "def function(a):\n    # größer\n    if a:  # why\n        return '€' + a(b=1)  # that\n".encode()
    changed = [m.applied(source).decode() for m in mutants_of(source, "f.py", "g") if m.operator == "argument dropped"]
    assert changed == ["def function(a):\n    # größer\n    if a:  # why\n        return '€' + (a())  # that\n"]


@pytest.fixture(scope="module")
def every() -> list[Mutant]:
    return mutants(ROOT)


def test_every_glob_still_finds_its_files() -> None:
    assert {group for group, _ in files(ROOT)} == set(targets.TARGETS)


def test_a_glob_that_matches_nothing_is_loud(tmp_path: Path) -> None:
    with pytest.raises(Unsound, match=r"drivecare/transfer/\*\*/\*\.py .* matches no file"):
        list(files(tmp_path))


def test_a_draw_is_always_the_same_and_leaves_no_group_out(every: list[Mutant]) -> None:
    drawn = draw(every, command.SAMPLE, command.SEED)
    assert drawn == draw(every, command.SAMPLE, command.SEED) != draw(every, command.SAMPLE, command.SEED + 1)
    assert len(set(drawn)) == len(drawn) >= 150
    assert set(Counter(mutant.group for mutant in drawn)) == set(targets.TARGETS)
    assert set(Counter(mutant.operator for mutant in drawn)) == set(OPERATORS)
    sample = draw(every, 12, command.SEED)
    assert len(sample) == 12
    assert set(sample) < set(drawn)
    assert {mutant.group for mutant in sample} == set(targets.TARGETS)


def test_a_change_elsewhere_draws_no_others(every: list[Mutant]) -> None:
    drawn = draw(every, command.SAMPLE, command.SEED)
    gone = drawn[0].file
    again = draw([mutant for mutant in every if mutant.file != gone], command.SAMPLE, command.SEED)
    assert {mutant for mutant in drawn if mutant.file != gone} <= set(again)


def test_what_is_drawn_compiles(every: list[Mutant]) -> None:
    """Else it would be caught by Python and not by a test."""
    for mutant in draw(every, 60, 1):
        compile(mutant.applied((ROOT / mutant.file).read_bytes()), mutant.file, "exec")


def test_the_argued_list_is_short_reasoned_and_up_to_date(every: list[Mutant]) -> None:
    load_equivalent(command.EQUIVALENT, every)


ENTRY = "[[equivalent]]\nfile = '{0}'\nfunction = '{1}'\noperator = '{2}'\nsource = '''{3}'''\nreason = '{4}'\n"


@pytest.mark.parametrize(
    ("times", "source", "reason", "words"),
    [(6, None, "r", "at most 5"), (1, "a -> b", "r", "no longer there"), (1, None, " ", "no reason")],
    ids=["too many", "gone", "no reason"],
)
def test_an_argued_list_that_is_not_sound_is_refused(
    tmp_path: Path, every: list[Mutant], times: int, source: str | None, reason: str, words: str
) -> None:
    mutant = next(mutant for mutant in every if "'" not in mutant.source)
    entry = ENTRY.format(mutant.file, mutant.function, mutant.operator, source or mutant.source, reason)
    (tmp_path / "list.toml").write_text(entry * times)
    with pytest.raises(Unsound, match=words):
        load_equivalent(tmp_path / "list.toml", every)


def test_the_likely_tests_come_first() -> None:
    order = Order(ROOT)
    for group, path in dict(files(ROOT)).items():  # one file of each group
        likely = order.likely(str(path.relative_to(ROOT)))
        assert likely, f"no test is likely to notice a slip in {path} ({group})"
        assert not [test for test in likely if "bench" in test or "mutation" in test]
    mirrored = "drivecare/transfer/sectors/journal.py"
    if (ROOT / mirrored).exists():
        assert order.likely(mirrored)[0].endswith("test_journal.py")


# --- a run, on a tree of three functions ----------------------------------------------------------------------------

CODE = """
def larger(a, b):
    if a > b:
        return a
    return b

def shout(word):
    print(word, end="!")
    return word

def count(to):
    number = 0
    while number < to:
        number += 1
    return number
"""
TEST = """
from drivecare.transfer.few import count, larger, shout

def test_larger():
    assert (larger(1, 2), larger(2, 1)) == (2, 2)

def test_shout():
    assert shout("a") == "a"

def test_count():
    assert count(3) == 3
"""


@pytest.fixture
def few(tmp_path: Path) -> Path:
    root = tmp_path / "tree"
    for folder in ("drivecare/transfer", "tests/transfer", "tests/mutation", ".ci"):
        (root / folder).mkdir(parents=True)
    for package in ("drivecare", "drivecare/transfer", "tests", "tests/transfer"):
        (root / package / "__init__.py").write_text("")
    (root / "drivecare/transfer/few.py").write_text(CODE)
    (root / "tests/transfer/test_few.py").write_text(TEST)
    (root / "pyproject.toml").write_text("[tool.pytest.ini_options]\nmarkers = ['slow: s', 'bench: b']\n")
    return root


@pytest.mark.slow
def test_a_run_tells_caught_from_survived_and_ends_what_hangs(
    few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tests.mutation.runs.LIKELY_SECONDS", 6)
    tree = Tree(few, tmp_path / "copy" / "tree")
    path = "drivecare/transfer/few.py"
    source = (few / path).read_bytes()
    by_text = {(m.operator, m.source): m for m in mutants_of(source, path, "transfer")}
    assert not tree.outcome(None).caught
    flipped = tree.outcome(by_text["comparison flipped", "a > b -> (a < b) in: if @:"])
    assert (flipped.caught, flipped.by) == (True, "FAILED tests/transfer/test_few.py::test_larger")
    assert not tree.outcome(by_text["edge moved", "a > b -> (a >= b) in: if @:"]).caught
    assert not tree.outcome(by_text["argument dropped", 'print(word, end="!") -> (print(word))']).caught
    hanging = tree.outcome(by_text["statement removed", "number += 1 -> pass"])
    assert (hanging.caught, "time limit" in hanging.by) == (True, True)
    assert (tree.copy / path).read_bytes() == (few / path).read_bytes() == source


@pytest.mark.slow
def test_a_run_on_a_tree_whose_tests_fail_proves_nothing(
    few: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    nothing_argued = few / "equivalent.toml"
    nothing_argued.write_text("")
    monkeypatch.setattr(command, "ROOT", few)
    monkeypatch.setattr(command, "EQUIVALENT", nothing_argued)
    monkeypatch.setattr(targets, "TARGETS", {"transfer": (100, ("drivecare/transfer/few.py",))})
    (few / "tests/transfer/test_few.py").write_text(TEST + "\ndef test_broken():\n    assert False\n")
    assert command.main(["--sample", "3", "--jobs", "1"]) == 2
    assert "test_broken" in capsys.readouterr().err
