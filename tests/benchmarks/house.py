"""How large the house is: ``python tests/benchmarks/house.py`` prints the table DEVELOPERS.md carries.

Lines of code are lines that hold more than a comment, a docstring or nothing. Files that run are those of the
kit that a field's answer loads, figures and page included.
"""

import ast
import importlib
import io
import pkgutil
import subprocess
import sys
import tempfile
import tokenize
from pathlib import Path

import fertkit

HOUSE = Path(fertkit.__file__).parent
DEMO = HOUSE.parent / "datasets_demo"
NO_CODE = (
    tokenize.COMMENT,
    tokenize.NL,
    tokenize.NEWLINE,
    tokenize.INDENT,
    tokenize.DEDENT,
    tokenize.ENDMARKER,
)
FIELD = f"""
import sys
from fertkit.cli import main
main(["field", "--crop", "soybean", "--goal", "60", "--leaf", r"{DEMO / "leaf_tests.csv"}",
      "--strips", r"{DEMO / "soybean_k_strips.csv"}", "--nutrient-price", "0.45", "--grain-price", "11",
      "--page", "field.html"])
print("\\nLOADED", *[name for name in sys.modules if name.split(".")[0] == "fertkit"])
"""


def docstrings(tree) -> set[int]:
    """Lines of the docstrings of a file."""
    holders = (
        n for n in ast.walk(tree) if isinstance(n, ast.Module | ast.ClassDef | ast.FunctionDef) and n.body
    )
    texts = (n.body[0] for n in holders if ast.get_docstring(n, clean=False) is not None)
    return {line for text in texts for line in range(text.lineno, text.end_lineno + 1)}


def code_lines(source: str) -> int:
    """Lines of a file that hold code."""
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    held = {n for t in tokens if t.type not in NO_CODE for n in range(t.start[0], t.end[0] + 1)}
    return len(held - docstrings(ast.parse(source)))


def imports(path: Path, names: set[str]) -> set[str]:
    """Modules of the kit that a file imports when it is loaded."""
    found = set()
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ImportFrom) and node.module in names:
            found |= {f"{node.module}.{a.name}" for a in node.names} & names or {node.module}
    return found


def circles(graph: dict[str, set[str]]) -> int:
    """Modules that reach themselves by imports at loading."""

    def reached(start):
        seen, todo = set(), list(graph[start])
        while todo:
            name = todo.pop()
            if name not in seen:
                seen.add(name)
                todo += graph[name]
        return seen

    return sum(name in reached(name) for name in graph)


def files_of_a_field() -> int:
    """Files of the kit loaded by one field's answer with its page."""
    with tempfile.TemporaryDirectory() as folder:
        run = [sys.executable, "-c", FIELD]
        out = subprocess.run(run, cwd=folder, capture_output=True, text=True, check=True).stdout
    return len(out.rpartition("LOADED")[2].split())


def main() -> None:
    files = sorted(HOUSE.rglob("*.py"))
    sources = {path: path.read_text(encoding="utf-8") for path in files}
    lengths = {path: text.count("\n") for path, text in sources.items()}
    names = {
        "fertkit." + ".".join(p.relative_to(HOUSE).with_suffix("").parts).removesuffix(".__init__"): p
        for p in files
    }
    graph = {name: imports(path, set(names)) - {name} for name, path in names.items()}
    floors = [m.name for m in pkgutil.iter_modules([str(HOUSE)]) if m.ispkg]
    public = sum(len(getattr(importlib.import_module(f"fertkit.{floor}"), "__all__", ())) for floor in floors)
    longest = max(lengths, key=lengths.get)
    rows = {
        "files": len(files),
        "lines of code": sum(map(code_lines, sources.values())),
        "statements": sum(
            isinstance(n, ast.stmt) for text in sources.values() for n in ast.walk(ast.parse(text))
        ),
        "longest file": f"{lengths[longest]} lines, {longest.relative_to(HOUSE).as_posix()}",
        "files that run in `fertkit field`": files_of_a_field(),
        "public names, and those of the top": f"{public}, {len(fertkit.__all__)}",
        "modules in a circle of imports": circles(graph),
    }
    for what, value in rows.items():
        print(f"| {what} | {value} |")


if __name__ == "__main__":
    main()
