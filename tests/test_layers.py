"""The house keeps its stairs: each floor imports only from the floors below it."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

HOUSE = Path(__file__).parent.parent / "fertkit"
FLOORS = ["errors", "chance", "sizes", "workbooks", "writing", "units", "results", "reference", "intake",
          "budget", "tissue", "trials", "response", "plots", "report", "batch", "panels", "cli"]  # fmt: skip
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
