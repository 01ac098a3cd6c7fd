"""How large the house is: ``python tests/benchmarks/house.py`` prints the table DEVELOPERS.md carries.

Lines of code are lines that hold more than a comment, a docstring or nothing. Files that run are those of the
kit that a field's answer loads, figures and page included. The way of a printed number to its source is a
list of files, each with a word that leads to the next; a way whose words lead nowhere ends in an error.
"""

import ast
import importlib
import io
import json
import pkgutil
import re
import subprocess
import sys
import tempfile
import tokenize
from itertools import pairwise
from pathlib import Path
from types import CodeType

import fertkit

HOUSE = Path(fertkit.__file__).parent
DEMO = HOUSE.parent / "datasets_demo"
NO_CODE = (
    tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER,
)  # fmt: skip
FIELD = f"""
import sys
from fertkit.cli import main
main(["field", "--crop", "soybean", "--goal", "60", "--leaf", r"{DEMO / "leaf_tests.csv"}",
      "--strips", r"{DEMO / "soybean_k_strips.csv"}", "--nutrient-price", "0.45", "--grain-price", "11",
      "--page", "field.html"])
print("\\nLOADED", *[name for name in sys.modules if name.split(".")[0] == "fertkit"])
"""
#: Number of the README's answer -> files from it to its source, with a word that leads from each to the next.
WAYS = {
    "246 N taken up": (
        ("say/answers.py", "defaults"), ("budget/needs.py", "worked_out"),
        ("budget/studies.py", "published_rates"), ("budget/rates.py", "uptake"), ("reference/uptake", ""),
    ),
    "75 K2O removed": (
        ("say/answers.py", "defaults"), ("budget/needs.py", "worked_out"),
        ("budget/studies.py", "published_rates"), ("budget/rates.py", "removal"), ("reference/removal", ""),
    ),
    "40% by R1-R2": (
        ("say/answers.py", "points"), ("budget/season.py", "season_conditions"),
        ("budget/timing.py", "timing"), ("reference/timing", ""),
    ),
    "a lower limit of 1.56 %": (
        ("say/answers.py", "finding"), ("say/leaf_results.py", "lowest_limit"), ("tissue/agree.py", "scored"),
        ("tissue/score.py", "ranges"), ("reference/ranges", ""),
    ),
    "97 % likely below": (
        ("say/answers.py", "finding"), ("say/leaf_results.py", "probability_below"),
        ("tissue/agree.py", "scored"), ("tissue/score.py", "probability_below"), ("tissue/classes.py", ""),
    ),
    "economic optimum 103 lb/ac": (
        ("say/answers.py", "optimum"), ("response/analyse.py", "at_price_ratio"),
        ("response/compare.py", "average_weights"), ("response/average.py", "optimum"),
        ("response/curves", ""),
    ),
}  # fmt: skip
#: What a newcomer adds -> words that code names only where it must be told of it.
ADDED = {"curve": ("spherical",), "nutrient": ("Mo", "MO"), "crop": ("sunflower", "canola", "flax")}
CUTS = ("split", "splitlines", "partition", "rpartition", "startswith", "removeprefix", "removesuffix")
NAMED = re.compile(r"(?:\S*=)?([A-Za-z_][\w.]*)")  # also as the value of an option
#: One curve and a survey in Python; what a kernel that others are forked from is told to run.
DOORS = {"fit_response", "optima_of_trials", "load_early"}
SENTENCES = ("text", "meaning", "summary", "plain", "what", "remedy")


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


def graph_of(files) -> dict[str, set[str]]:
    """Modules of the kit and those each imports when it is loaded."""
    names = {
        "fertkit." + ".".join(p.relative_to(HOUSE).with_suffix("").parts).removesuffix(".__init__"): p
        for p in files
    }
    return {name: imports(path, set(names)) - {name} for name, path in names.items()}


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


def steps(way) -> int:
    """Files to open from a printed number to its source; each way is followed by its words."""
    for (file, word), (after, _) in pairwise(way):
        places = [HOUSE / file, HOUSE / after]
        for place in places:
            texts = [place.read_text(encoding="utf-8")] if place.is_file() else [place.name]
            texts += [p.read_text(encoding="utf-8") for p in place.glob("*.py")] if place.is_dir() else []
            if not any(word in text for text in texts):
                raise SystemExit(f"'{word}' no longer leads from {file} to {after}: mend WAYS")
    return len(way)


def files_naming(words, trees) -> int:
    """Files whose code names one of some words."""
    return sum(
        any(isinstance(n, ast.Constant) and n.value in words for n in ast.walk(tree))
        for tree in trees.values()
    )


def cuts(tree) -> int:
    """Places that take the sentence of a result, a line or an error apart."""
    found = 0
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and getattr(node.func, "attr", "") in CUTS:
            inner = node.func.value
            inner = inner.func if isinstance(inner, ast.Call) else inner
            cut = bool(node.args) or node.func.attr == "splitlines"  # split() alone evens out the blanks
            found += cut and getattr(inner, "attr", "") in SENTENCES
    return found


def names_in(code) -> set[str]:
    """Names a piece of compiled code uses, and those in texts that name something."""
    found = set(code.co_names)
    for value in code.co_consts:
        if isinstance(value, CodeType):
            found |= names_in(value)
        for text in value if isinstance(value, tuple) else (value,):
            if isinstance(text, str) and (named := NAMED.fullmatch(text)):
                found.add(named[1].rpartition(".")[2])
    return found


def _is_lazy(part) -> bool:
    """Whether a statement is the table of names that a floor loads when they are used."""
    return isinstance(part, ast.Assign) and getattr(getattr(part.value, "func", 0), "attr", "") == "attach"


def unreached(trees) -> dict[str, set[str]]:
    """Files and what they define that no command, page, batch or lesson comes to by names.

    Names alone are followed, whatever file holds them. Figures and sentences are reached with their result.
    """
    lessons = [p.read_text(encoding="utf-8") for p in HOUSE.parent.glob("notebooks/**/*.ipynb")]
    cells = [c for text in lessons for c in json.loads(text)["cells"] if c["cell_type"] == "code"]
    todo = {name for c in cells for name in names_in(compile("".join(c["source"]), "lesson", "exec"))}
    uses, defined = {}, {}
    for file, tree in trees.items():
        of_results = file in ("plots/__init__.py", "say/__init__.py")
        for part in tree.body:
            targets = getattr(part, "targets", [getattr(part, "target", None)])
            own = {getattr(part, "name", None), *(getattr(t, "id", None) for t in targets)} - {None}
            if isinstance(part, ast.Import | ast.ImportFrom) or _is_lazy(part):
                continue
            if of_results and isinstance(part, ast.AnnAssign):
                for key, value in zip(part.value.keys, part.value.values, strict=True):
                    uses.setdefault(key.value, set()).add(value.elts[1].value)
                continue
            used = names_in(compile(ast.Module([part], []), file, "exec")) - own
            todo |= used if not own or file.startswith("cli/") else set()
            for name in own:
                uses.setdefault(name, set()).update(used)
                defined.setdefault(file, set()).add(name)
    seen = set()
    while todo:
        seen |= todo
        todo = {name for one in todo for name in uses.get(one, ())} - seen
    left = {file: {n for n in names - seen - DOORS if n[:2] != "__"} for file, names in defined.items()}
    return {file: names for file, names in left.items() if names}


def main() -> None:
    files = sorted(HOUSE.rglob("*.py"))
    sources = {path: path.read_text(encoding="utf-8") for path in files}
    trees = {path: ast.parse(text) for path, text in sources.items()}
    lengths = {path: text.count("\n") for path, text in sources.items()}
    floors = [m.name for m in pkgutil.iter_modules([str(HOUSE)]) if m.ispkg]
    public = sum(len(getattr(importlib.import_module(f"fertkit.{floor}"), "__all__", ())) for floor in floors)
    longest = max(lengths, key=lengths.get)
    ways = sorted(map(steps, WAYS.values()))
    rows = {
        "files": len(files),
        "lines of code": sum(map(code_lines, sources.values())),
        "statements": sum(isinstance(n, ast.stmt) for tree in trees.values() for n in ast.walk(tree)),
        "longest file": f"{lengths[longest]} lines, {longest.relative_to(HOUSE).as_posix()}",
        "files that run in `fertkit field`": files_of_a_field(),
        "files from a printed number to its source": f"{ways[0]} to {ways[-1]}, of {len(ways)} numbers",
        "public names, and those of the top": f"{public}, {len(fertkit.__all__)}",
        "code files that name a curve, a nutrient, a crop with ranges": ", ".join(
            str(files_naming(words, trees)) for words in ADDED.values()
        ),
        "places that take a sentence apart": sum(map(cuts, trees.values())),
        "functions and classes that nothing reaches": sum(
            map(len, unreached({p.relative_to(HOUSE).as_posix(): tree for p, tree in trees.items()}).values())
        ),
        "modules in a circle of imports": circles(graph_of(files)),
    }
    for what, value in rows.items():
        print(f"| {what} | {value} |")


if __name__ == "__main__":
    main()
