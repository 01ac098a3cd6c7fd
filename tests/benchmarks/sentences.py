"""Every text of three words or more that a user can meet, by file: of the code and of the tables.

    python tests/benchmarks/sentences.py [--all]

Prints the words in each file, the most first, and with --all the texts themselves. Docstrings
and comments are for those who read the code and are not counted; texts carried in tables are.
"""

import ast
import re
import sys
from collections import Counter
from pathlib import Path

import pandas as pd

PACKAGE = Path(__file__).parents[2] / "fertkit"
WORD = re.compile(r"[A-Za-z][a-z]+")
#: Columns of tables whose cells are sentences of ours; titles and citations are those of others.
TEXTS = {
    "text",
    "advice",
    "meaning",
    "check",
    "caution",
    "limit",
    "what_to_do",
    "says",
    "why",
    "remedy",
    "note",
    "what",
    "held",
    "failed",
    "open",
    "option",
    "do_not",
    "cause",
    "settle_by",
    "now",
    "symptom",
    "pattern",
    "nitrogen_note",
}


def literals(path: Path):
    """Texts of a file of code that are no docstring, with their line; pieces of one text joined."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    docs = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef))
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    joined = [node for node in ast.walk(tree) if isinstance(node, ast.JoinedStr)]
    inside = {id(part) for node in joined for part in _parts(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs | inside:
            yield node.lineno, node.value
        elif isinstance(node, ast.JoinedStr):
            pieces = (part.value if isinstance(part, ast.Constant) else "{}" for part in _parts(node))
            yield node.lineno, "".join(pieces)


def _parts(joined):
    return getattr(joined, "values")  # noqa: B009  (of the syntax tree, not of pandas)


def cells(path: Path):
    """Cells of a table of ours that hold sentences, each once."""
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    for column in TEXTS & set(table):
        yield from ((0, text) for text in table[column].unique())


def texts():
    """Give (file, line, text) of every text of three words or more."""
    for path in sorted(PACKAGE.rglob("*")):
        read = {".py": literals, ".csv": cells}.get(path.suffix)
        for line, text in read(path) if read else ():
            if len(WORD.findall(text)) >= 3 and " " in text.strip():
                yield path.relative_to(PACKAGE), line, " ".join(text.split())


def main() -> None:
    """Print words by file, and with --all the texts."""
    words = Counter()
    for name, line, text in texts():
        words[name] += len(WORD.findall(text))
        if "--all" in sys.argv:
            print(f"{name}:{line}: {text}")
    for name, count in words.most_common():
        print(f"{count:6d} {name}")
    kinds = Counter()
    for name, count in words.items():
        kinds["in tables" if name.suffix == ".csv" else "in code"] += count
    print(dict(kinds))


if __name__ == "__main__":
    main()
