"""Which changes of a rule are tried; `python -m tests.mutations` tries them."""

from pathlib import Path

import pytest

from tests.mutations.changes import mutants_of

NOT_LOGIC = """
ONE, OTHER = range(2)
__all__ = ["find"]
RULE = Rule(slug="a" + "b", certain=not True, number=3)
"""
RULE = f"""
LIMIT = 5.0

@dataclass(slots=True)
class Seen:
    first: Moment | None

def find(case: Case | None) -> bool:
    if case is None:
        return
    tried = [*case.syns, *case.pings]
    return any(one.at > LIMIT and not one.odd for one in zip(tried, strict=True) if one)
{NOT_LOGIC}"""
CHANGES = """
2: 5.0  ->  50.0
2: 5.0  ->  0.5
9: if case is None: return  ->  pass
9: case is None  ->  case is not None
11: [*case.syns, *case.pings]  ->  [*case.pings]
11: [*case.syns, *case.pings]  ->  [*case.syns]
12: any  ->  all
12: one.at > LIMIT and (not one.odd)  ->  one.at > LIMIT or not one.odd
12: one.at > LIMIT and (not one.odd)  ->  not one.odd
12: one.at > LIMIT and (not one.odd)  ->  one.at > LIMIT
12: one.at > LIMIT  ->  one.at >= LIMIT
12: one.at > LIMIT  ->  one.at <= LIMIT
12: not one.odd  ->  one.odd
12: for one in zip(tried, strict=True) if one  ->  for one in zip(tried, strict=True)
""".strip().splitlines()


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "cut_cable.py"


def test_every_condition_guard_threshold_and_list_is_changed(file: Path) -> None:
    file.write_text(RULE, encoding="utf-8")
    assert [f"{one.line}: {one.change}" for one in mutants_of(file)] == CHANGES


def test_texts_and_their_numbering_are_let_alone(file: Path) -> None:
    file.write_text(NOT_LOGIC, encoding="utf-8")
    assert list(mutants_of(file)) == []


def test_the_changed_code_is_what_runs(file: Path) -> None:
    file.write_text("def few(n):\n    return n < 3\n", encoding="utf-8")
    answers = []
    for place in range(3):
        names: dict[str, object] = {}
        exec(list(mutants_of(file))[place].code(), names)
        answers.append([names["few"](n) for n in (2, 3, 4)])
    assert answers == [[True, True, False], [False, True, True], [True, True, False]]


def test_long_code_is_shown_where_it_differs(file: Path) -> None:
    names = " and ".join(f"case.is_rather_long_{number}" for number in range(9))
    file.write_text(f"def find(case):\n    return {names}\n", encoding="utf-8")
    *_, last = mutants_of(file)
    assert last.change.startswith("...")
    assert last.change.endswith("case.is_rather_long_7")
    assert len(last.change) < 200
