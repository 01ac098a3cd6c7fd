"""Every example of the documentation prints what it shows; and what the results they make all do alike."""

import doctest
import inspect
import pickle
import re
from dataclasses import replace
from functools import cache
from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import fertkit
from fertkit import results
from fertkit.report import groups, layout, points, surface
from fertkit.report.farm import FarmAnswer
from fertkit.report.field import FieldAnswer
from fertkit.report.network import NetworkAnswer
from fertkit.report.trial import TrialAnswer
from fertkit.response import placing
from fertkit.response.analyse import ResponseAnalysis
from fertkit.response.compare import CurveComparison
from fertkit.response.prices import Prices
from fertkit.results import CHECK_COLUMNS, Result, checks_frame, failed, same_content
from fertkit.trials import power_plans
from fertkit.trials.against_check import net_over_check, no_worse_than

HOUSE = Path(fertkit.__file__).parent
FLOORS = ("intake", "budget", "tissue", "trials", "response", "report", "batch")
#: Modules with an example.
MODULES = sorted(
    "fertkit." + ".".join(path.relative_to(HOUSE).with_suffix("").parts).removesuffix(".__init__")
    for path in HOUSE.rglob("*.py")
    if ">>>" in path.read_text(encoding="utf-8")
)
SHOWN = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS
#: What the command line asks of that is no public name.
BESIDE = (groups, layout, points, surface, placing, power_plans)
#: The answers of the main job: a field, a trial, several trials, a farm.
MAIN = (FieldAnswer, TrialAnswer, NetworkAnswer, FarmAnswer)


def kinds(of=Result):
    """Every class of result of the package."""
    found = [kind for sub in of.__subclasses__() for kind in (sub, *kinds(sub))]
    return [kind for kind in found if kind.__module__.startswith("fertkit.")]


def functions(floor):
    """The public functions of a floor."""
    home = import_module(f"fertkit.{floor}")
    return [f for f in (getattr(home, name) for name in home.__all__) if inspect.isfunction(f)]


@pytest.fixture(scope="session")
def examples(tmp_path_factory):
    """Run the examples of a module with nothing in scope, once for all tests: what they made, one result of a
    kind, every pair of sentences of a check, how many there were, and what they printed but do not show.
    """
    place = tmp_path_factory.mktemp("examples")
    homes = {name: import_module(name) for name in MODULES}

    @cache
    def run(name):
        made, pairs, faults, said = {}, set(), [], results._said

        def listen(passed, meaning):
            pairs.update([] if isinstance(meaning, str) else [meaning])
            return said(passed, meaning)

        with pytest.MonkeyPatch.context() as patch:
            patch.chdir(place)
            patch.setattr(results, "_said", listen)
            for kind in kinds():
                patch.setattr(kind, "__init__", _kept(kind.__init__, made))
            runner = doctest.DocTestRunner(optionflags=SHOWN)
            for case in doctest.DocTestFinder().find(homes[name], name, globs={}):
                runner.run(case, out=faults.append)
            for result in made.values():
                _ = getattr(result, "checks", None)
        return SimpleNamespace(made=made, pairs=pairs, tries=runner.tries, faults="".join(faults))

    return run


def _kept(init, found):
    def wrapped(self, *args, **options):
        init(self, *args, **options)
        found[type(self)] = self

    return wrapped


@pytest.fixture(scope="session")
def told(examples):
    """What the examples of public functions, their floors and modules did, module by module."""
    names = [f.__module__ for floor in FLOORS for f in functions(floor)]
    names += [f"fertkit.{floor}" for floor in FLOORS]
    names += [f.__module__ for f in (no_worse_than, net_over_check)]
    names += [module.__name__ for module in BESIDE]
    return [examples(name) for name in dict.fromkeys(names) if name in MODULES]


@pytest.fixture(scope="session")
def pairs(told):
    """Every pair of sentences of a check."""
    return set().union(*(one.pairs for one in told))


@pytest.fixture(scope="session")
def made(told):
    """One result of each kind that an example makes."""
    return {kind: result for one in told for kind, result in one.made.items()}


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name, examples):
    ran = examples(name)
    assert ran.tries > 0
    assert not ran.faults


METHODS = ("reference", *(floor for floor in FLOORS if floor != "batch"))
PUBLIC = {f"{floor}.{f.__name__}": f for floor in METHODS for f in functions(floor)}


@pytest.mark.parametrize("name", PUBLIC)
def test_public_functions_have_an_example_in_their_module(name):
    assert PUBLIC[name].__module__ in MODULES


@pytest.mark.parametrize("floor", METHODS)
def test_floors_have_a_method_page(floor):
    page = import_module(f"fertkit.{floor}").__doc__
    assert ">>>" in page
    assert len(page.splitlines()) > 15


def test_the_examples_make_nearly_every_kind_of_result(made):
    whole = {kind.__name__ for kind in kinds() if not kind.__subclasses__()}  # not what several share
    elsewhere = {
        "BatchResult",
        "PassPlan",
        "FieldsAnswer",
        "HistoryAnswer",
        "BalanceAnswer",
        "RatioTable",
        "PlanAnswer",
        "TreatmentAnswer",
        "SurfaceAnswer",
        "RatePlacing",
        "Paper",
        "TwoFactorAnalysis",
        "PairedAnalysis",
        "Guesses",
    }  # made and shown in tests of their floors
    assert whole - {kind.__name__ for kind in made} <= elsewhere


def test_a_console_shows_one_short_line(made):
    for kind, result in made.items():
        shown = repr(result)
        assert shown.startswith(f"{kind.__name__}: "), shown
        assert len(shown) <= 300, shown
        assert "\n" not in shown


def test_results_can_be_pickled_and_compared(made):
    for kind, result in made.items():
        for _ in range(2):  # again when what is worked out on demand is held too
            again = pickle.loads(pickle.dumps(result))
            assert (again == result) is True, kind
            assert (again != result) is False
            assert hash(again) == hash(result)
            assert again.summary() == result.summary()
            assert (result == "text") is False
            if isinstance(result.table, pd.DataFrame):
                assert same_content(again.table, result.table)


def test_results_of_other_content_are_not_equal(made):
    budget, analysis = (next(r for k, r in made.items() if k.__name__ == name)
                        for name in ("NutrientBudget", "ResponseAnalysis"))  # fmt: skip
    other = budget.table.copy()
    other.loc[0, "uptake"] = 1e9
    assert budget != replace(budget, table=other)
    assert budget == replace(budget, table=budget.table.copy())
    assert budget != replace(budget, crop="moonwheat")
    assert analysis != replace(analysis, level=0.5)
    assert {budget, replace(budget, table=budget.table.copy())} == {budget}
    assert Prices(np.array([0.4, 0.5]), 11.0) == Prices(np.array([0.4, 0.5]), 11.0)
    assert Prices(np.array([0.4, 0.5]), 11.0) != Prices(np.array([0.4, 0.6]), 11.0)


def test_an_optimum_from_a_pickle_is_worked_out_alike(made):
    analysis = made[ResponseAnalysis]
    again = pickle.loads(pickle.dumps(analysis))
    dearer = replace(analysis.prices, nutrient=3 * analysis.prices.nutrient)
    assert again.at_prices(prices=dearer).optimum == analysis.at_prices(prices=dearer).optimum
    comparison = made[CurveComparison]
    assert pickle.loads(pickle.dumps(comparison)).at_price_ratio(0.1) == comparison.at_price_ratio(0.1)


#: Words that tell of a fault; none of them may stand beside a check that holds.
FAULT = re.compile(
    r"^none$|^see |^few|too few|fewer than|cannot|check the|look for|hardly|from memory|is open|depart|"
    r"no replication|no upper limit|at an end|disagree:|may be a loss|at risk|superseded|not weighted|misses|"
    r"\badd "
)


def test_a_check_says_one_thing_and_the_thing_of_its_state(made):
    seen = set()
    for kind, result in made.items():
        checks = getattr(result, "checks", None)
        for row in [] if checks is None else checks.itertuples():
            assert row.passed is None or row.passed in (True, False), (kind, row)
            assert row.meaning, (kind, row)
            if row.passed is None:
                assert not FAULT.search(row.meaning.replace("add a column", "")), (kind, row)
            elif row.passed:
                assert not FAULT.search(row.meaning), (kind, row)
            seen.add((row.check, row.passed, row.meaning))
    held = {meaning for _, passed, meaning in seen if passed is True or passed == 1}
    assert not held & {meaning for _, passed, meaning in seen if passed is not None and not passed}
    assert len(held) > 20


def test_both_sentences_of_a_check_are_said_and_differ(pairs):
    assert len(pairs) > 30
    for holds, fails in pairs:
        assert holds != fails
        assert not FAULT.search(holds), holds
        assert len(holds) > 10
        assert len(fails) > 10


def test_a_check_that_could_not_be_judged_is_neither_held_nor_failed():
    checks = checks_frame([("a", 1, 2, None, ("good", "bad")), ("b", 1, 2, False, ("good", "bad"))])
    assert checks["passed"].tolist() == [None, False]
    assert checks["meaning"].tolist() == ["could not be judged", "bad"]
    assert failed(checks) == ["bad"]


@pytest.mark.parametrize("kind", MAIN, ids=lambda k: k.__name__)
def test_answers_of_the_main_job_have_every_verb(made, kind):
    answer = made[kind]
    assert answer.summary().count("\n") >= 2
    assert list(answer.table.columns) == ["about", "item", "value", "low", "high", "unit", "remark"]
    optimum = answer.table[answer.table["item"] == "economic optimum rate"]
    trials = list(getattr(answer, "trials", {}).values())
    assert optimum["value"].tolist() == [trial.optimum.rate for trial in trials]
    axes = answer.plot()
    assert axes.get_xlabel() or axes.get_ylabel()
    assert list(answer.checks.columns) == ["about", *CHECK_COLUMNS]
    assert "<table" in answer._repr_html_()
