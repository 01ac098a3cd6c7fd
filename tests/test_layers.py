"""The house keeps its stairs: each floor imports only from the floors below it."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from fertkit.response.curves import CURVES

HOUSE = Path(__file__).parent.parent / "fertkit"
FLOORS = ["errors", "asked", "chance", "rounding", "sizes", "delimited", "line_lengths", "cell_formats",
          "workbooks", "tables", "writing", "units", "results", "reference", "intake", "budget", "tissue",
          "trials", "response", "say", "plots", "report",
          "batch", "panels", "cli"]  # fmt: skip
LAZY = ("statsmodels", "seaborn", "matplotlib", "scipy.optimize", "scipy.stats", "jinja2", "distributed")
MODULES = sorted(HOUSE.rglob("*.py"))


def floor_of(dotted: str) -> str:
    """Name the floor a dotted fertkit module stands on."""
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 else ""


def imports(path: Path):
    """Every module named by an import statement anywhere in a file."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module
            if node.module == "fertkit":
                yield from (f"fertkit.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(HOUSE).as_posix())
def test_imports_go_down(path):
    own = path.relative_to(HOUSE).with_suffix("").parts[0]
    if own == "__init__":
        return
    assert own in FLOORS, f"{own} has no place in the house; see DEVELOPERS.md"
    for name in imports(path):
        floor = floor_of(name) if name.startswith("fertkit") and "__" not in name else None
        if floor:
            assert FLOORS.index(floor) <= FLOORS.index(own), f"{own} reaches up to {floor}"
        top = name.split(".")[0]
        if top == "matplotlib":
            assert FLOORS.index(own) >= FLOORS.index("plots")
        if top in ("ipywidgets", "IPython"):
            assert FLOORS.index(own) >= FLOORS.index("panels")


def test_no_drawing_state():
    for path in MODULES:
        assert "matplotlib.pyplot" not in set(imports(path)), f"{path.name} uses pyplot's global state"


def loaded_by(statement: str) -> set[str]:
    """Modules a fresh interpreter holds after a statement."""
    code = f"import sys; {statement}; print(*sys.modules)"
    return set(
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.split()
    )


def test_top_import_is_light():
    assert not {"numpy", "pandas", "matplotlib"} & loaded_by("import fertkit")


@pytest.mark.parametrize("part", ["reference", "intake", "budget", "tissue", "trials", "response", "batch"])
def test_heavy_libraries_wait_until_used(part):
    heavy = loaded_by(f"import fertkit.{part}") & set(LAZY)
    assert not heavy


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(HOUSE).as_posix())
def test_a_curve_is_asked_and_not_named(path):
    """What differs between curves stands in their records: no other code goes by the key of one.

    Floors below know no curves, and "linear" is a word there. "mean" is one of statistics above, too.
    """
    floor, *inside = path.relative_to(HOUSE).with_suffix("").parts
    known = FLOORS.index(floor) >= FLOORS.index("response") if floor in FLOORS else False
    if not known or inside[:1] == ["curves"]:
        return
    keys = set(CURVES) - (set() if floor == "response" else {"mean"})
    tree = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    named = [(n.lineno, n.value) for n in tree if isinstance(n, ast.Constant) and n.value in keys]
    assert not named, "ask the record in fertkit.response.curves"


def _is_computed(node) -> bool:
    """Whether a side of a comparison is plainly a computed float: a fraction, a quotient, a power, a mean."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, float) and not node.value.is_integer()
    if isinstance(node, ast.BinOp):
        return isinstance(node.op, ast.Div | ast.Pow) or _is_computed(node.left) or _is_computed(node.right)
    if isinstance(node, ast.Call):
        return getattr(node.func, "attr", "") in ("mean", "std", "var", "sqrt", "quantile", "dot", "optimum")
    return False


def exact_comparisons(source: str) -> list[int]:
    """Lines that ask computed floats to be equal to the last digit, or to be close by another rule."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            exact = any(isinstance(op, ast.Eq | ast.NotEq) for op in node.ops)
            found += [node.lineno] * (exact and any(map(_is_computed, sides)))
        elif isinstance(node, ast.Call) and getattr(node.func, "attr", "") in ("isclose", "allclose"):
            found.append(node.lineno)
    return found


@pytest.mark.parametrize(
    "line",
    ["x.mean() == 3", "a / b != c", "0.3 == x", "y - b**2 == 0", "np.isclose(a, b)"],
)
def test_an_exact_comparison_is_seen(line):
    assert exact_comparisons(line) == [1]
    assert not exact_comparisons("a == b or n == 0 or text != 'x' or k % 2 == 0 or mean > 3 or blocks == 1.0")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(HOUSE).as_posix())
def test_computed_floats_are_compared_by_one_rule(path):
    lines = exact_comparisons(path.read_text(encoding="utf-8"))
    assert not lines, f"lines {lines}: compare with fertkit.rounding (same, above, at_least ...)"


CUTS = ("splitlines", "split", "partition", "startswith")


def taken_apart(source: str) -> list[int]:
    """Lines that cut a finished summary up instead of choosing among its lines."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and node.attr in CUTS:
            inner = node.value
            if isinstance(inner, ast.Call) and getattr(inner.func, "attr", "") == "summary":
                found.append(node.lineno)
    return found


def test_a_summary_taken_apart_is_seen():
    assert taken_apart("x.summary().splitlines()[0]") == [1]
    assert not taken_apart("print(x.summary())")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(HOUSE).as_posix())
def test_no_summary_is_taken_apart(path):
    assert not taken_apart(path.read_text(encoding="utf-8"))
