"""Small changes to a module's code, one at a time, that its tests should notice."""

from __future__ import annotations

import ast
import copy
import hashlib
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

_SWAPPED = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.And: ast.Or,
    ast.Or: ast.And,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Lt: ast.GtE,
    ast.GtE: ast.Lt,
    ast.Gt: ast.LtE,
    ast.LtE: ast.Gt,
}
#: Beside a whole number the bound itself matters, so it is moved in or out.
_BOUND = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
_NAMES = [
    ("min", "max"),
    ("minimum", "maximum"),
    ("fmin", "fmax"),
    ("nanmin", "nanmax"),
    ("argmin", "argmax"),
    ("any", "all"),
    ("floor", "ceil"),
    ("sin", "cos"),
]
_OTHER_NAME = {a: b for pair in _NAMES for a, b in (pair, pair[::-1])}
#: Calls that only speak or show progress.
_TALK = {
    "progress",
    "report",
    "span",
    "written",
    "phrase",
    "excerpt",
    "excerpts",
    "errstate",
    "cast",
    "TypeVar",
}


@dataclass(frozen=True)
class Mutant:
    """One change: ``index`` of the node in ``ast.walk`` order, and which of its changes."""

    path: Path
    index: int
    kind: str
    line: int
    function: str
    before: str
    after: str
    id: str

    def code(self):
        """Return the compiled module with the change in it."""
        tree = ast.parse(self.path.read_text(encoding="utf-8"))
        _Change(self.index, self.kind).visit_all(tree)
        return compile(ast.fix_missing_locations(tree), str(self.path), "exec")


def mutants_of(paths) -> list:
    """Return all mutants of some files.

    The id of a mutant is made of its statement before and after, so that it stays the same when
    lines or functions move.
    """
    found, seen = [], Counter()
    for path in paths:
        tree = ast.parse(Path(path).read_text(encoding="utf-8"))
        numbers = {id(node): i for i, node in enumerate(ast.walk(tree))}
        for node, statement, function in _places(tree):
            for kind in _kinds(node):
                before = _head(statement)
                after = _head(_mutated(statement, node, kind))
                if before == after:
                    continue
                seen[before, after] += 1
                key = f"{before}\n{after}\n{seen[before, after]}"
                found.append(
                    Mutant(
                        Path(path),
                        numbers[id(node)],
                        kind,
                        node.lineno,
                        function,
                        before,
                        after,
                        hashlib.sha256(key.encode()).hexdigest()[:10],
                    )
                )
    return found


def sample(mutants, count: int, seed: str) -> list:
    """Return a fixed choice of mutants, which moves as little as possible when code changes."""
    by_lot = sorted(mutants, key=lambda m: hashlib.sha256((seed + m.id).encode()).digest())
    return sorted(by_lot[:count], key=lambda m: (str(m.path), m.line, m.id))


def _places(tree):
    """Yield (node, its statement, name of its function) where a change would show."""

    def walk(node, statement, function):
        for field, value in ast.iter_fields(node):
            if field in ("annotation", "returns", "decorator_list"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if not isinstance(child, ast.AST) or _skipped(child):
                    continue
                own = child if isinstance(child, ast.stmt) else statement
                name = function
                if isinstance(child, (ast.FunctionDef, ast.ClassDef)):
                    name = f"{function}.{child.name}".lstrip(".")
                if own is not None and not isinstance(child, (ast.FunctionDef, ast.ClassDef)):
                    yield child, own, name
                # A message is no behaviour: of a raise only the raising itself is changed.
                if not isinstance(child, ast.Raise):
                    yield from walk(child, own, name)

    yield from walk(tree, None, "")


def _skipped(node) -> bool:
    if isinstance(node, (ast.Import, ast.ImportFrom, ast.JoinedStr)):
        return True
    call = node.value if isinstance(node, ast.Expr) else node
    if isinstance(call, ast.Constant):
        return isinstance(call.value, str)
    if isinstance(call, ast.Call):
        name = getattr(call.func, "id", getattr(call.func, "attr", ""))
        return name in _TALK
    return False


def _kinds(node) -> list:
    if isinstance(node, ast.Constant):
        return ["constant"] if isinstance(node.value, (bool, int, float)) else []
    if isinstance(node, (ast.BinOp, ast.AugAssign)):
        texts = [
            s for s in ast.walk(node) if isinstance(s, ast.Constant) and isinstance(s.value, str)
        ]
        return ["operator"] if type(node.op) in _SWAPPED and not texts else []
    if isinstance(node, ast.BoolOp):
        return ["operator"]
    if isinstance(node, ast.Compare):
        return ["operator"] if type(node.ops[0]) in _SWAPPED else []
    if isinstance(node, ast.UnaryOp):
        return [] if isinstance(node.op, ast.UAdd) else ["without"]
    if isinstance(node, (ast.If, ast.IfExp, ast.While)):
        plain = not isinstance(node.test, (ast.Compare, ast.BoolOp, ast.UnaryOp))
        return ["negated"] if plain else []
    if isinstance(node, ast.Call):
        name = getattr(node.func, "id", getattr(node.func, "attr", ""))
        return ["name"] if name in _OTHER_NAME else []
    if isinstance(node, (ast.Continue, ast.Break)):
        return ["loop"]
    if isinstance(node, (ast.Raise, ast.Expr)):
        return ["deleted"]
    return []


def _changed(node, kind):
    """Return what takes the place of a node."""
    new = copy.deepcopy(node)
    if kind == "constant":
        if isinstance(node.value, bool):
            new.value = not node.value
        elif isinstance(node.value, int):
            new.value = node.value + 1
        else:
            new.value = node.value * 1.5 if node.value else 1.0
    elif kind == "operator" and isinstance(node, ast.Compare):
        whole = any(
            isinstance(side, ast.Constant) and type(side.value) is int
            for side in (node.left, node.comparators[0])
        )
        swapped = {**_SWAPPED, **_BOUND} if whole else _SWAPPED
        new.ops[0] = swapped[type(node.ops[0])]()
    elif kind == "operator":
        new.op = _SWAPPED[type(node.op)]()
    elif kind == "without":
        return new.operand
    elif kind == "negated":
        new.test = ast.UnaryOp(ast.Not(), new.test)
    elif kind == "name":
        attribute = "id" if isinstance(new.func, ast.Name) else "attr"
        setattr(new.func, attribute, _OTHER_NAME[getattr(new.func, attribute)])
    elif kind == "loop":
        return ast.Break() if isinstance(node, ast.Continue) else ast.Continue()
    elif kind == "deleted":
        return ast.Pass()
    return new


class _Change(ast.NodeTransformer):
    """Replaces the node of one number."""

    def __init__(self, index, kind):
        self._index, self._kind = index, kind

    def visit_all(self, tree):
        self._wanted = next(n for i, n in enumerate(ast.walk(tree)) if i == self._index)
        return self.visit(tree)

    def visit(self, node):
        if node is self._wanted:
            return ast.copy_location(_changed(node, self._kind), node)
        return self.generic_visit(node)


def _mutated(statement, node, kind):
    at = next(i for i, n in enumerate(ast.walk(statement)) if n is node)
    return _Change(at, kind).visit_all(copy.deepcopy(statement))


def _head(statement) -> str:
    """Return a statement as one line, of a compound one only what stands before its body."""
    shown = copy.copy(statement)
    for field in ("body", "orelse", "finalbody", "handlers"):
        if isinstance(getattr(shown, field, None), list):
            setattr(shown, field, [ast.Expr(ast.Constant(...))] if field == "body" else [])
    return " ".join(ast.unparse(ast.fix_missing_locations(shown)).split())
