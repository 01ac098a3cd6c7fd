"""The house keeps its stairs: each floor imports only from the floors below it."""

import ast
import subprocess
import sys
from importlib import import_module
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

from fertkit.response.curves import CURVES

HOUSE = Path(__file__).parent.parent / "fertkit"
FLOORS = ["errors", "asked", "rounding", "sizes", "delimited", "line_lengths", "cell_formats",
          "workbooks", "tables", "writing", "units", "results", "guesses", "reference", "intake", "budget",
          "tissue", "trials", "response", "say", "plots", "report",
          "batch", "panels", "cli"]  # fmt: skip
LAZY = ("statsmodels", "seaborn", "matplotlib", "scipy.optimize", "scipy.stats", "jinja2", "distributed")
MODULES = sorted(HOUSE.rglob("*.py"))
PARTS = ("reference", "intake", "budget", "tissue", "trials", "response", "batch")

# What is counted there is asked here.
spec = spec_from_file_location("house", Path(__file__).parent / "benchmarks" / "house.py")
house = module_from_spec(spec)
spec.loader.exec_module(house)


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


@pytest.mark.parametrize("part", PARTS)
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


# ---- floors that load what is asked of them


@pytest.mark.parametrize("floor", [*PARTS, "say", "plots", "report", "panels"])
def test_a_floor_loads_none_of_its_modules_until_a_name_is_used(floor):
    assert not [name for name in loaded_by(f"import fertkit.{floor}") if name.startswith(f"fertkit.{floor}.")]


@pytest.mark.parametrize("floor", ["", *(f".{part}" for part in (*PARTS, "report", "panels"))])
def test_every_public_name_is_there(floor):
    home = import_module(f"fertkit{floor}")
    assert all(getattr(home, name) is not None for name in home.__all__)
    assert set(home.__all__) - {"__version__"} <= set(dir(home))


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(HOUSE).as_posix())
def test_modules_import_from_modules(path):
    """A public name is for users: the kit names the module, so that the way to it is one file shorter."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        home = node.module if isinstance(node, ast.ImportFrom) else ""
        if home in [f"fertkit.{part}" for part in PARTS]:
            public = {alias.name for alias in node.names} & set(import_module(home).__all__)
            assert not public, f"line {node.lineno}: import {public} from the module that holds it"


def test_no_module_reaches_itself_by_imports():
    assert house.circles(house.graph_of(MODULES)) == 0


# ---- sentences are made in `say`, and stay whole


@pytest.mark.parametrize(
    ("line", "places"),
    [
        ("x.summary().splitlines()[0]", 1),
        ("if check.meaning.startswith('too'): pass", 1),
        ("line.text.partition(': ')", 1),
        ("print(x.summary())", 0),
        ("' '.join(error.plain.split())", 0),  # evens out the blanks
    ],
)
def test_a_sentence_taken_apart_is_seen(line, places):
    assert house.cuts(ast.parse(line)) == places


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(HOUSE).as_posix())
def test_no_sentence_is_taken_apart(path):
    assert not house.cuts(ast.parse(path.read_text(encoding="utf-8")))


#: Calls that make what is said of a file or an argument that cannot be used.
REFUSALS = ("Problem", "unknown", "refuse", "_kind", "too_large", "_Wrong", "_refuse", "_no_settings")
#: Below `say`, files that still hold a sentence: notes on a goal, on own levels, on strips in doubt.
STILL = (
    "budget/needs.py", "budget/need_notes.py", "budget/yields.py", "response/analyse.py",
    "response/critical.py", "response/money.py",
)  # fmt: skip


def sentences(source: str) -> list[str]:
    """Texts of eight words or more that end in a full stop, but for docstrings and refusals."""
    tree = ast.parse(source)
    holders = [n for n in ast.walk(tree) if isinstance(n, ast.Module | ast.ClassDef | ast.FunctionDef)]
    left_out = {n.body[0] for n in holders if n.body and ast.get_docstring(n, clean=False) is not None}

    def texts(node):
        called = getattr(node, "func", None)
        name = getattr(called, "attr", getattr(called, "id", ""))
        if node in left_out or isinstance(node, ast.Raise) or name in REFUSALS or name.endswith("Error"):
            return
        if isinstance(node, ast.JoinedStr):
            yield "".join(part.value if isinstance(part, ast.Constant) else "x" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
        else:
            for child in ast.iter_child_nodes(node):
                yield from texts(child)

    return [text for text in texts(tree) if len(text.split()) >= 8 and text.rstrip().endswith(".")]


def test_a_sentence_is_seen():
    said = "f'Take {rate} as the better of the two rates, no more.'"
    assert sentences(f"x = {said}") == ["Take x as the better of the two rates, no more."]
    assert not sentences(f"raise ValueError({said})\nx = Problem({said})\ny = 'too few strips: add blocks'")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.relative_to(HOUSE).as_posix())
def test_no_sentence_is_made_below_say(path):
    floor, *_ = path.relative_to(HOUSE).with_suffix("").parts
    below = floor in FLOORS and FLOORS.index(floor) < FLOORS.index("say")
    if below and path.relative_to(HOUSE).as_posix() not in STILL:
        assert not sentences(path.read_text(encoding="utf-8"))


def test_a_nutrient_and_a_crop_are_rows_of_tables():
    """Code names molybdenum in its atomic weight alone, and no crop with ranges."""
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}
    assert house.files_naming(house.ADDED["nutrient"], trees) <= 2
    assert house.files_naming(house.ADDED["crop"], trees) == 0
