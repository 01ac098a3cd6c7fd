"""Every example runs with nothing in scope and prints what it shows; a module of public functions has one."""

import doctest
import inspect
from importlib import import_module
from pathlib import Path

import pytest

import fertkit

HOUSE = Path(fertkit.__file__).parent
FLOORS = ("reference", "intake", "budget", "tissue", "trials", "response", "report")
MODULES = sorted(
    "fertkit." + ".".join(path.relative_to(HOUSE).with_suffix("").parts)
    for path in HOUSE.rglob("*.py")
    if ">>>" in path.read_text(encoding="utf-8")
)


def functions(floor):
    home = import_module(f"fertkit.{floor}")
    return [(f"{floor}.{name}", getattr(home, name)) for name in home.__all__]


PUBLIC = [(name, f) for floor in FLOORS for name, f in functions(floor) if inspect.isfunction(f)]


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    module = import_module(name.removesuffix(".__init__"))
    ran = doctest.testmod(module, globs={}, optionflags=doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS)
    assert ran.attempted > 0
    assert ran.failed == 0


@pytest.mark.parametrize("function", [f for _, f in PUBLIC], ids=[name for name, _ in PUBLIC])
def test_public_functions_have_an_example_in_their_module(function):
    assert function.__module__ in MODULES


@pytest.mark.parametrize("floor", FLOORS)
def test_floors_have_a_method_page(floor):
    page = import_module(f"fertkit.{floor}").__doc__
    assert ">>>" in page
    assert len(page.splitlines()) > 15
