"""Changes of a rule's logic, one at a time: what could be wrong there without anybody noticing."""

import ast
from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass
from pathlib import Path
from types import CodeType

ROOT = Path(__file__).parents[2]
SHOWN = 80
"""Letters of code that are printed."""

ARGUMENTS = ("strict",)
"""Arguments that only guard against slips."""
NO_LOGIC = ("annotation", "returns", "decorator_list")
"""Parts of the syntax tree that are for readers and type checkers."""
OPERATORS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
NAMES = {"any": "all", "all": "any", "min": "max", "max": "min"}


@dataclass(frozen=True, slots=True, eq=False)
class Mutant:
    """A change: in which file, at which place of its syntax tree, from what to what."""

    file: Path
    tree: ast.Module
    parent: ast.AST
    field: str
    index: int | None
    old: ast.AST
    new: ast.AST

    @property
    def line(self) -> int:
        """The line; a condition of a comprehension has none of its own, but its parts have."""
        return next(one.lineno for one in ast.walk(self.old) if hasattr(one, "lineno"))

    def code(self) -> CodeType:
        """The changed file. The tree stays changed: for a fork that ends afterwards."""
        if self.index is None:
            setattr(self.parent, self.field, self.new)
        else:
            getattr(self.parent, self.field)[self.index] = self.new
        return compile(ast.fix_missing_locations(self.tree), self.file, "exec")

    def __str__(self) -> str:
        place = f"{self.file.relative_to(ROOT).as_posix()}:{self.line}"
        return f"{place}: {self.change}"

    @property
    def change(self) -> str:
        """The code before and after, around the place where they begin to differ."""
        old, new = (" ".join(ast.unparse(node).split()) for node in (self.old, self.new))
        longest, shortest = max(len(old), len(new)), min(len(old), len(new))
        same = next((n for n in range(shortest) if old[n] != new[n]), shortest)
        alike = max(0, same - SHOWN // 3) if longest > SHOWN else 0
        return f"{_short(old, alike)}  ->  {_short(new, alike)}"


def _short(text: str, alike: int) -> str:
    """What begins alike is cut away, but for a few letters; and the end of what is long."""
    text = f"...{text[alike:]}" if alike else text
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}..."


def mutants_of(file: Path) -> Iterator[Mutant]:
    """Every change of a file's logic."""
    tree = ast.parse(file.read_text("utf-8"))
    for statement in tree.body:
        if _is_no_logic(statement):
            continue
        variants = _thresholds if isinstance(statement, ast.Assign) else _variants
        for parent, field, index, node in _places(statement):
            for new in variants(node):
                yield Mutant(file, tree, parent, field, index, node, ast.copy_location(new, node))


def _is_no_logic(statement: ast.stmt) -> bool:
    """Whether it is the rule's texts, a list of names, or the numbering of its texts."""
    if not isinstance(statement, ast.Assign):
        return False
    target = statement.targets[0]
    return not isinstance(target, ast.Name) or target.id in ("RULE", "__all__")


def _places(parent: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.AST]]:
    """All nodes below, with where they hang."""
    for field, value in ast.iter_fields(parent):
        if field in NO_LOGIC or getattr(parent, "arg", None) in ARGUMENTS:
            continue
        children = enumerate(value) if isinstance(value, list) else [(None, value)]
        for index, child in children:
            if isinstance(child, ast.AST):
                yield parent, field, index, child
                yield from _places(child)


def _thresholds(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int(value)) if value:
            yield from (ast.Constant(value * 10), ast.Constant(value // 10))
        case ast.Constant(value=float(value)) if value:
            yield from (ast.Constant(value * 10), ast.Constant(value / 10))
        case ast.List() | ast.Set() | ast.BinOp():
            yield from _variants(node)


def _variants(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Compare(ops=ops):
            for place, operator in enumerate(ops):
                for other in OPERATORS[type(operator)]:
                    yield _with(node, "ops", [*ops[:place], other(), *ops[place + 1 :]])
        case ast.BoolOp(op=operator, values=values):
            yield _with(node, "op", ast.Or() if isinstance(operator, ast.And) else ast.And())
            for rest in _without_one(values):
                yield rest[0] if len(rest) == 1 else _with(node, "values", rest)
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield operand
        case ast.If(body=[ast.Continue() | ast.Return()], orelse=[]):
            yield ast.Pass()
        case ast.comprehension(ifs=ifs):
            yield from (_with(node, "ifs", rest) for rest in _without_one(ifs))
        case ast.IfExp(body=body, orelse=other):
            yield from (body, other)
        case ast.Constant(value=bool(value)):
            yield ast.Constant(not value)
        case ast.Constant(value=int() | float() as value):
            yield ast.Constant(value + 1)
        case ast.Name(id=name) if name in NAMES:
            yield ast.Name(NAMES[name], ast.Load())
        case ast.BinOp(op=ast.Add() | ast.BitOr(), left=left, right=right):
            yield from (left, right)
        case ast.List(elts=parts) | ast.Set(elts=parts):
            yield from (_with(node, "elts", rest) for rest in _without_one(parts))


def _with(node: ast.AST, field: str, value: object) -> ast.AST:
    changed = copy(node)
    setattr(changed, field, value)
    return changed


def _without_one(parts: Sequence[ast.expr]) -> Iterator[list[ast.expr]]:
    for place in range(len(parts)):
        yield [*parts[:place], *parts[place + 1 :]]
