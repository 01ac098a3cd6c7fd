"""The house keeps its stairs: each floor imports only from the floors below it."""

import ast
import subprocess
import sys
from functools import cache
from importlib import import_module
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

from fertkit.response.curves import CURVES

HOUSE = Path(__file__).parent.parent / "fertkit"
FLOORS = ["errors", "asked", "rounding", "laws", "sizes", "delimited", "line_lengths", "cell_formats",
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


@cache
def trees() -> dict:
    """Every file of the house as a syntax tree."""
    return {p.relative_to(HOUSE).as_posix(): ast.parse(p.read_text(encoding="utf-8")) for p in MODULES}


def floor_of_file(name: str) -> str:
    """Name the floor a file of the house stands on."""
    return name.removesuffix(".py").split("/")[0]


def imports(tree):
    """Every module named by an import statement anywhere in a file."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module
            if node.module == "fertkit":
                yield from (f"fertkit.{alias.name}" for alias in node.names)


def test_imports_go_down():
    lowest = {"matplotlib": "plots", "ipywidgets": "panels", "IPython": "panels"}
    for file, tree in trees().items():
        own = floor_of_file(file)
        if own == "__init__":
            continue
        assert own in FLOORS, f"{file} has no place in the house; see DEVELOPERS.md"
        for name in imports(tree):
            ours = name.startswith("fertkit") and "__" not in name
            floor = floor_of(name) if ours else None
            if floor:
                assert FLOORS.index(floor) <= FLOORS.index(own), f"{file} reaches up to {floor}"
            if needed := lowest.get(name.split(".")[0]):
                assert FLOORS.index(own) >= FLOORS.index(needed), f"{file} imports {name}"


def test_no_drawing_state():
    for file, tree in trees().items():
        assert "matplotlib.pyplot" not in set(imports(tree)), f"{file} uses pyplot's global state"


@cache
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


def test_a_curve_is_asked_and_not_named():
    """What differs between curves stands in their records: no other code goes by the key of one.

    Floors below know no curves, and "linear" is a word there. "mean" is one of statistics above, too.
    """
    for file, tree in trees().items():
        floor = floor_of_file(file)
        known = FLOORS.index(floor) >= FLOORS.index("response") if floor in FLOORS else False
        if not known or Path(file).with_suffix("").parts[1:2] == ("curves",):
            continue
        keys = set(CURVES) - (set() if floor == "response" else {"mean"})
        named = [
            (n.lineno, n.value) for n in ast.walk(tree) if isinstance(n, ast.Constant) and n.value in keys
        ]
        assert not named, f"{file}: ask the record in fertkit.response.curves"


def _is_computed(node) -> bool:
    """Whether a side of a comparison is plainly a computed float: a fraction, a quotient, a power, a mean."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, float) and not node.value.is_integer()
    if isinstance(node, ast.BinOp):
        return isinstance(node.op, ast.Div | ast.Pow) or _is_computed(node.left) or _is_computed(node.right)
    if isinstance(node, ast.Call):
        return getattr(node.func, "attr", "") in ("mean", "std", "var", "sqrt", "quantile", "dot", "optimum")
    return False


def exact_comparisons(tree) -> list[int]:
    """Lines that ask computed floats to be equal to the last digit, or to be close by another rule."""
    found = []
    for node in ast.walk(tree):
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
    allowed = "a == b or n == 0 or text != 'x' or k % 2 == 0 or mean > 3 or blocks == 1.0"
    assert exact_comparisons(ast.parse(line)) == [1]
    assert not exact_comparisons(ast.parse(allowed))


def test_computed_floats_are_compared_by_one_rule():
    lines = {file: found for file, tree in trees().items() if (found := exact_comparisons(tree))}
    assert not lines, "compare with fertkit.rounding (same, above, at_least ...)"


# ---- floors that load what is asked of them


@pytest.mark.parametrize("floor", [*PARTS, "say", "plots", "report", "panels"])
def test_a_floor_loads_none_of_its_modules_until_a_name_is_used(floor):
    assert not [name for name in loaded_by(f"import fertkit.{floor}") if name.startswith(f"fertkit.{floor}.")]


@pytest.mark.parametrize("floor", ["", *(f".{part}" for part in (*PARTS, "report", "panels"))])
def test_every_public_name_is_there(floor):
    home = import_module(f"fertkit{floor}")
    assert all(getattr(home, name) is not None for name in home.__all__)
    assert set(home.__all__) - {"__version__"} <= set(dir(home))


def test_modules_import_from_modules():
    """A public name is for users: the kit names the module, so that the way to it is one file shorter."""
    for file, tree in trees().items():
        for node in ast.walk(tree):
            home = node.module if isinstance(node, ast.ImportFrom) else ""
            if home in [f"fertkit.{part}" for part in PARTS]:
                public = {alias.name for alias in node.names} & set(import_module(home).__all__)
                assert not public, f"{file}:{node.lineno}: import {public} from the module that holds it"


def test_no_module_reaches_itself_by_imports():
    assert house.circles(house.graph_of(MODULES)) == 0


def test_nothing_is_out_of_reach():
    """What no command, page, batch or lesson comes to leaves, or gets a door."""
    assert not house.unreached(trees())


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


def test_no_sentence_is_taken_apart():
    assert not {file: cuts for file, tree in trees().items() if (cuts := house.cuts(tree))}


#: Calls that make what is said of a file or an argument that cannot be used.
REFUSALS = ("Problem", "unknown", "refuse", "_kind", "too_large", "_Wrong", "_refuse", "_no_settings")
#: Below `say`, files that still hold a sentence: notes on a goal, on own levels, on strips in doubt.
STILL = (
    "budget/needs.py", "budget/need_notes.py", "budget/yields.py", "response/analyse.py",
    "response/money.py",
)  # fmt: skip


def sentences(tree) -> list[str]:
    """Texts of eight words or more that end in a full stop, but for docstrings and refusals."""
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
    none = f"raise ValueError({said})\nx = Problem({said})\ny = 'too few strips: add blocks'"
    assert sentences(ast.parse(f"x = {said}")) == ["Take x as the better of the two rates, no more."]
    assert not sentences(ast.parse(none))


def test_no_sentence_is_made_below_say():
    below = {file for file in trees() if floor_of_file(file) in FLOORS[: FLOORS.index("say")]}
    assert not {file: said for file in below - set(STILL) if (said := sentences(trees()[file]))}


def test_a_nutrient_and_a_crop_are_rows_of_tables():
    """Code names molybdenum in its atomic weight alone, and no crop with ranges."""
    assert house.files_naming(house.ADDED["nutrient"], trees()) <= 2
    assert house.files_naming(house.ADDED["crop"], trees()) == 0
