"""Every question of a reader stands in ``messages.csv``, and the code fills in each of its blanks."""

import ast
import string
from pathlib import Path

import pytest

import fertkit.intake
from fertkit.intake.spellings import _messages

FOLDER = Path(fertkit.intake.__file__).parent
CODE = {path.name: ast.parse(path.read_text()) for path in sorted(FOLDER.glob("*.py"))}
#: Function -> place of the key among its arguments, and names of arguments that fill no blank.
CALLS = {
    "problem": (0, {"row", "column", "value"}), "note": (0, set()), "ask": (0, set()), "complain": (2, set()),
}  # fmt: skip


def calls():
    for file, tree in CODE.items():
        for node in ast.walk(tree):
            name = getattr(
                getattr(node, "func", None), "attr", getattr(getattr(node, "func", None), "id", "")
            )
            if name in CALLS and file != "spellings.py" and len(node.args) > CALLS[name][0]:
                key = node.args[CALLS[name][0]]
                words = {k.arg for k in node.keywords} - CALLS[name][1]
                if isinstance(key, ast.Constant):
                    yield pytest.param(key.value, words, id=f"{file}:{node.lineno} {key.value}")


@pytest.mark.parametrize(("key", "words"), list(calls()))
def test_each_question_is_filled_in(key, words):
    text = _messages()[key]
    blanks = {blank for part in text.values() for _, blank, _, _ in string.Formatter().parse(part) if blank}
    assert None in words or words == blanks  # None: words that are passed on as a dict


def test_each_question_is_asked():
    texts = {
        node.value for tree in CODE.values() for node in ast.walk(tree) if isinstance(node, ast.Constant)
    }
    joined = {key for key in _messages() if key.startswith("like ")}  # "like block" is made of "like {role}"
    assert set(_messages()) - joined <= texts
