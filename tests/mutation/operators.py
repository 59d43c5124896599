"""The slips: each takes a node of the syntax tree and yields pairs, a node and what somebody might have written for it.

They stand for what happens to people: a comparison that is off by one, a condition turned round, a case forgotten, a
line left out. Each is one function.
"""

from __future__ import annotations

import ast
import builtins
from collections.abc import Callable, Iterator
from copy import copy

_EDGE: dict[type[ast.cmpop], type[ast.cmpop]] = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
_OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.Gt,
    ast.LtE: ast.GtE,
    ast.Gt: ast.Lt,
    ast.GtE: ast.LtE,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.FloorDiv,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
_TWINS = {"min": "max", "max": "min", "any": "all", "all": "any"}

Slips = Iterator[tuple[ast.AST, ast.AST]]
Operator = Callable[[ast.AST], Slips]


def _with(node: ast.AST, **fields: object) -> ast.AST:
    changed = copy(node)
    for name, value in fields.items():
        setattr(changed, name, value)
    return changed


def _not(test: ast.expr) -> ast.expr:
    return test.operand if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not) else _negation(test)


def _negation(test: ast.expr) -> ast.expr:
    return ast.UnaryOp(op=ast.Not(), operand=test)


def edge_moved(node: ast.AST) -> Slips:
    """`<` for `<=`: one too few, one too many."""
    yield from _compared(node, _EDGE)


def comparison_flipped(node: ast.AST) -> Slips:
    """`==` for `!=`, `<` for `>`, `in` for `not in`."""
    yield from _compared(node, _OPPOSITE)


def _compared(node: ast.AST, table: dict[type[ast.cmpop], type[ast.cmpop]]) -> Slips:
    if isinstance(node, ast.Compare):
        for index, comparison in enumerate(node.ops):
            if type(comparison) in table:
                yield node, _with(node, ops=[*node.ops[:index], table[type(comparison)](), *node.ops[index + 1 :]])


def and_or_swapped(node: ast.AST) -> Slips:
    """`and` for `or`."""
    if isinstance(node, ast.BoolOp):
        yield node, _with(node, op=ast.Or() if isinstance(node.op, ast.And) else ast.And())


def operand_dropped(node: ast.AST) -> Slips:
    """One of the things that all must hold, or of which one must, is forgotten."""
    if isinstance(node, ast.BoolOp):
        for index in range(len(node.values)):
            left = [*node.values[:index], *node.values[index + 1 :]]
            yield node, left[0] if len(left) == 1 else _with(node, values=left)


def condition_negated(node: ast.AST) -> Slips:
    """`if not` for `if`; of a conditional expression the other branch."""
    if isinstance(node, ast.If | ast.IfExp | ast.While):
        yield node.test, _not(node.test)


def condition_dropped(node: ast.AST) -> Slips:
    """A comprehension without its `if`; a conditional expression that knows one case only."""
    if isinstance(node, ast.ListComp | ast.SetComp | ast.GeneratorExp | ast.DictComp):
        for index, loop in enumerate(node.generators):
            if loop.ifs:
                bare = ast.comprehension(target=loop.target, iter=loop.iter, ifs=[], is_async=loop.is_async)
                yield node, _with(node, generators=[*node.generators[:index], bare, *node.generators[index + 1 :]])
    if isinstance(node, ast.IfExp):
        yield node, node.body
        yield node, node.orelse


def constant_nudged(node: ast.AST) -> Slips:
    """A number that is off by one, True for False."""
    if isinstance(node, ast.Constant):
        if isinstance(node.value, bool):
            yield node, ast.Constant(not node.value)
        elif isinstance(node.value, int):
            yield node, ast.Constant(node.value + 1)
            if node.value:
                yield node, ast.Constant(node.value - 1)


def arithmetic_swapped(node: ast.AST) -> Slips:
    """`+` for `-`, `*` for `//`, `|` for `&`."""
    if isinstance(node, ast.BinOp | ast.AugAssign) and type(node.op) in _ARITHMETIC and not _is_of_no_numbers(node):
        yield node, _with(node, op=_ARITHMETIC[type(node.op)]())


def _is_of_no_numbers(node: ast.BinOp | ast.AugAssign) -> bool:
    """Texts put together, or types in a union: swapped they would not even run."""
    sides = (node.left, node.right) if isinstance(node, ast.BinOp) else (node.value,)
    return any(
        isinstance(side, ast.JoinedStr)
        or isinstance(getattr(side, "value", None), str)
        or (isinstance(side, ast.Name) and hasattr(builtins, side.id))
        for side in sides
    )


def twin_called(node: ast.AST) -> Slips:
    """`max` for `min`, `all` for `any`."""
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in _TWINS:
        yield node, _with(node, func=ast.Name(id=_TWINS[node.func.id], ctx=ast.Load()))


def argument_dropped(node: ast.AST) -> Slips:
    """A call that forgets one of the arguments it names; one by place would not even run."""
    if isinstance(node, ast.Call):
        for index in range(len(node.keywords)):
            yield node, _with(node, keywords=[*node.keywords[:index], *node.keywords[index + 1 :]])


def slice_widened(node: ast.AST) -> Slips:
    """`data[start:]` for `data[start:end]`; the first for the last."""
    if not isinstance(node, ast.Subscript):
        return
    if isinstance(node.slice, ast.Slice):
        for bound in ("lower", "upper"):
            if getattr(node.slice, bound) is not None:
                yield node, _with(node, slice=_with(node.slice, **{bound: None}))
    elif isinstance(node.ctx, ast.Load) and isinstance(node.slice, ast.Constant) and node.slice.value == 0:
        yield node, _with(node, slice=ast.UnaryOp(op=ast.USub(), operand=ast.Constant(1)))
    elif isinstance(node.ctx, ast.Load) and ast.unparse(node.slice) == "-1":
        yield node, _with(node, slice=ast.Constant(0))


def return_replaced(node: ast.AST) -> Slips:
    """A function that gives back the wrong answer of its kind."""
    if not isinstance(node, ast.Return) or node.value is None:
        return
    annotation = getattr(node, "returns", "")  # of the function, noted where the tree is walked
    plain = {"bool": _not(node.value), "str": ast.Constant(""), "int": ast.Constant(0), "float": ast.Constant(0.0)}
    if annotation in plain:
        value = plain[annotation]
    elif annotation.startswith(("tuple", "list", "set", "frozenset", "dict")):
        value = ast.Tuple(elts=[], ctx=ast.Load())
    elif "None" in annotation:
        value = ast.Constant(None)
    else:
        return
    if ast.dump(value) != ast.dump(node.value):
        yield node, _with(node, value=value)


def statement_removed(node: ast.AST) -> Slips:
    """A line that was never written: a call, a check, a change of what is kept."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield node, ast.Pass()
    if isinstance(node, ast.Assign) and all(isinstance(t, ast.Attribute | ast.Subscript) for t in node.targets):
        yield node, ast.Pass()
    if isinstance(node, ast.AugAssign | ast.Raise | ast.Continue | ast.Break | ast.Delete):
        yield node, ast.Pass()
    if isinstance(node, ast.If) and not node.orelse:
        yield node, ast.Pass()


def yield_removed(node: ast.AST) -> Slips:
    """A generator that leaves something out, and goes on."""
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Yield | ast.YieldFrom):
        yield node, ast.Pass()


def handler_narrowed(node: ast.AST) -> Slips:
    """An `except` that forgets one of its errors."""
    if isinstance(node, ast.ExceptHandler) and isinstance(node.type, ast.Tuple) and len(node.type.elts) > 1:
        for index in range(len(node.type.elts)):
            yield node.type, _with(node.type, elts=[*node.type.elts[:index], *node.type.elts[index + 1 :]])


OPERATORS: dict[str, Operator] = {
    "edge moved": edge_moved,
    "comparison flipped": comparison_flipped,
    "and/or swapped": and_or_swapped,
    "operand dropped": operand_dropped,
    "condition negated": condition_negated,
    "condition dropped": condition_dropped,
    "constant nudged": constant_nudged,
    "arithmetic swapped": arithmetic_swapped,
    "twin called": twin_called,
    "argument dropped": argument_dropped,
    "slice widened": slice_widened,
    "return replaced": return_replaced,
    "statement removed": statement_removed,
    "yield removed": yield_removed,
    "handler narrowed": handler_narrowed,
}
