"""Expected intervals of plans: against theory, the committed coverage table, and trials analysed alone."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import InputError, LookupFailed, NotEstimable, PriceError
from fertkit.response import CURVES, analyse_response, expected_interval, optima_of_trials
from fertkit.response.plan import curve_through, simulate

RATES = np.linspace(0, 200, 6)
QP, QUADRATIC = (4.0, 0.07, -0.07 / 300), (4.0, 0.06, -0.06 / 340)
METRIC = {"price_ratio": 0.008, "sd": 0.3, "rate_unit": "kg/ha", "yield_unit": "t/ha"}
COVERAGE = pd.read_csv(Path(__file__).parents[1] / "reference" / "coverage" / "coverage.csv")


def committed(curve, method):
    rows = COVERAGE.query("curve == @curve and error_sd == 0.3 and rates == 6 and blocks == 4")
    return rows[(rows["quantity"] == "coverage") & (rows["method"] == method)].iloc[0]


@pytest.fixture(scope="module")
def averaged():
    return expected_interval(RATES, 4, params=QP, n=240, seed=11, **METRIC)


@pytest.mark.parametrize(("curve", "params"), [("quadratic_plateau", QP), ("quadratic", QUADRATIC)])
def test_known_curve_as_in_the_coverage_table(curve, params):
    row = committed(curve, "profile or exact, true curve")
    got = expected_interval(
        RATES, 4, curve=curve, params=params, n=2000, known_curve=True, **METRIC
    ).table.iloc[0]
    assert got["true_optimum_kg_ha"] == pytest.approx(row["true_optimum"], abs=0.01)
    chance = 3 * 100 * np.sqrt(2 * 0.95 * 0.05 / 2000)  # both shares are of 2,000 trials
    assert abs(got["coverage_pct"] - 100 * row["value"]) < chance
    assert got["median_width_kg_ha"] == pytest.approx(row["median_width"], rel=0.04)


def test_a_gently_bent_rise_is_covered_as_often_as_said_and_no_oftener():
    """Bend of 1.5 SE: curves that bow up fit too, but have no optimum where these bow down have theirs."""
    asked = {"curve": "quadratic", "params": (4.0, 0.02, -4e-5), "known_curve": True, "n": 3000} | METRIC
    got = expected_interval(RATES, 4, **asked | {"sd": 0.6}).table.iloc[0]
    assert abs(got["coverage_pct"] - 95) < 3 * 100 * np.sqrt(0.95 * 0.05 / 3000)
    assert got["median_width_kg_ha"] < 120


def test_averaged_interval_as_in_the_coverage_table(averaged):
    row, got = committed("quadratic_plateau", "averaged (default)"), averaged.table.iloc[0]
    assert abs(got["coverage_pct"] - 100 * row["value"]) < 3 * 100 * np.sqrt(
        0.95 * 0.05 * (1 / 240 + 1 / 2000)
    )
    assert got["median_width_kg_ha"] == pytest.approx(row["median_width"], rel=0.08)
    assert averaged.checks["passed"].all()


def test_width_of_a_known_curve_is_that_of_theory():
    """Delta method on the information matrix: SE of (ratio - b) / 2c, which falls as 1/sqrt(blocks)."""
    _, b, c = QUADRATIC
    plans = {str(k): (RATES, k) for k in (16, 64)}
    got = expected_interval(
        plans, curve="quadratic", params=QUADRATIC, n=1500, known_curve=True, **METRIC
    ).table
    x = np.column_stack([RATES, RATES**2]) - [RATES.mean(), (RATES**2).mean()]
    slant = np.array([-1 / (2 * c), -(0.008 - b) / (2 * c * c)])
    for blocks, width in zip((16, 64), got["median_width_kg_ha"], strict=True):
        se = 0.3 * np.sqrt(slant @ np.linalg.inv(blocks * x.T @ x) @ slant)
        assert width == pytest.approx(2 * 1.96 * se, rel=0.04)
    assert got["median_width_kg_ha"].iloc[0] / got["median_width_kg_ha"].iloc[1] == pytest.approx(2, rel=0.04)
    assert got["rmse_kg_ha"].iloc[1] == pytest.approx(se, rel=0.08)


def test_every_simulated_trial_as_if_analysed_alone(averaged):
    """The same yields in blocks of unlike levels, through the table reader, one trial after another."""
    curve = CURVES["quadratic_plateau"]
    rate, block, yields = simulate(
        RATES, 4, curve, np.array(QP), 0.3, 240, np.random.default_rng(11).spawn(1)[0]
    )
    level = np.array([0.0, 0.7, -0.4, 1.3])[block]
    table = pd.concat(
        pd.DataFrame({"id": i, "rate_kg_ha": rate, "yield_t_ha": yields[i] + level, "block": block})
        for i in range(12)
    )
    survey = optima_of_trials(table, "id", 0.008)
    for row, one in zip(averaged.trials.head(12).itertuples(), survey.itertuples(), strict=True):
        assert (row.status, row.high_open) == (one.status, one.high_open)
        np.testing.assert_allclose(
            [row.optimum, row.low, row.high], [one.optimum, one.low, one.high], rtol=1e-6
        )
    for i in (0, 7):
        alone = analyse_response(
            table[table["id"] == i].drop(columns="id"), nutrient_price=0.008, grain_price=1, replicates=0
        ).optimum
        row = averaged.trials.iloc[i]
        np.testing.assert_allclose(
            [row["optimum"], row["low"], row["high"]],
            [alone.rate, alone.interval.low, alone.interval.high],
            rtol=1e-5,
        )


@pytest.mark.parametrize("curve", ["linear_plateau", "square_root"])
def test_known_curve_as_analysed_with_that_curve(curve):
    params = curve_through(curve, 4, 9, 120)
    got = expected_interval(RATES, 3, curve=curve, params=params, n=100, seed=5, known_curve=True, **METRIC)
    rate, block, yields = simulate(
        RATES, 3, CURVES[curve], params, 0.3, 100, np.random.default_rng(5).spawn(1)[0]
    )
    for i in (0, 1, 2):
        table = pd.DataFrame({"rate_kg_ha": rate, "yield_t_ha": yields[i], "block": block})
        alone = analyse_response(
            table, nutrient_price=0.008, grain_price=1, curve=curve, replicates=0
        ).optimum
        row = got.trials.iloc[i]
        assert row["status"] == alone.status
        np.testing.assert_allclose(
            [row["optimum"], row["low"], row["high"]],
            [alone.rate, alone.interval.low, alone.interval.high],
            rtol=1e-5,
        )


def test_same_seed_same_trials_alone_or_beside_others():
    asked = {"params": QP, "n": 300, "seed": 11, "known_curve": True} | METRIC
    alone = expected_interval(RATES, 4, **asked).trials.drop(columns="plan")
    beside = expected_interval({"a": (RATES, 4), "b": (RATES[::2], 8)}, **asked).trials
    pd.testing.assert_frame_equal(beside[beside["plan"] == "a"].drop(columns="plan"), alone)
    assert not np.allclose(
        alone["optimum"], expected_interval(RATES, 4, **asked | {"seed": 12}).trials["optimum"]
    )


def test_units_change_nothing(averaged):
    x, y = 1 / 1.12085, 14.8  # another unit of rate, another of yield
    a, b, c = QP
    other = expected_interval(
        RATES * x,
        4,
        params=(a * y, b * y / x, c * y / x**2),
        sd=0.3 * y,
        price_ratio=0.008 * y / x,
        n=240,
        seed=11,
    )
    ends = ["optimum", "low", "high"]
    np.testing.assert_allclose(other.trials[ends], averaged.trials[ends] * x, rtol=1e-5)
    assert other.table["coverage_pct"].tolist() == averaged.table["coverage_pct"].tolist()
    assert "median_width_lb_ac" in other.table


def test_more_blocks_narrow_the_interval_and_the_texts_say_so(averaged):
    got = expected_interval({"few": (RATES, 3), "many": (RATES, 12)}, params=QP, n=100, **METRIC)
    few, many = got.table["median_width_kg_ha"]
    assert many < 0.6 * few
    said = got.summary()
    for words in (
        "Few (18 strips)",
        "Many (72 strips)",
        "seed 0",
        "133 kg/ha",
        "t/ha per kg/ha",
        "root mean square",
    ):
        assert words in said
    assert "e-" not in said
    assert set(got.sources["source_key"]) >= {"MATAVEL2024", "BACHMAIER2009"}


def test_a_dead_and_a_still_rising_field_are_told():
    dead = expected_interval(RATES, 4, curve="mean", params=[5.0], n=200, **METRIC)
    assert dead.table["no_response_pct"].item() > 50
    assert dead.table["true_optimum_kg_ha"].item() == 0
    rising = expected_interval(RATES, 4, curve="linear", params=[4.0, 0.03], n=100, **METRIC)
    row = rising.table.iloc[0]
    assert (row["true_optimum_kg_ha"], row["open_pct"], row["coverage_pct"]) == (200, 100, 100)
    failed = set(rising.checks.loc[~rising.checks["passed"].astype(bool), "check"].str.split(": ").str[1])
    assert failed == {"interval closed above [% of trials]", "true optimum below the highest rate"}


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"rates": [0, 100]}, NotEstimable, "three or more rates"),
        ({"n_blocks": 0}, InputError, "whole number"),
        ({"n_blocks": 2.5}, InputError, "whole number"),
        ({"rates": [0, 50, 100], "n_blocks": 1}, NotEstimable, "add blocks"),
        ({"rates": [-10, 50, 100]}, NotEstimable, "zero or more"),
        ({"params": (4, 0.07)}, NotEstimable, "a, b, c"),
        ({"sd": 0}, NotEstimable, "error of a strip"),
        ({"n": 10}, NotEstimable, "100 trials"),
        ({"level": 95}, InputError, "between 0 and 1"),
        ({"price_ratio": -1}, PriceError, "price ratio"),
        ({"curve": "cubic"}, LookupFailed, "cubic"),
    ],
)
def test_impossible_plans_are_refused(change, error, words):
    asked = {"rates": RATES, "n_blocks": 4, "params": QP} | METRIC | change
    with pytest.raises(error, match=words):
        expected_interval(**asked)


@pytest.mark.parametrize(
    "curve", ["quadratic", "quadratic_plateau", "square_root", "linear_plateau", "mitscherlich", "spherical"]
)
def test_curve_through_what_a_planner_knows(curve):
    params, curve = curve_through(curve, 60, 180, 150), CURVES[curve]
    share = 0.95 if curve.key == "mitscherlich" else 1.0
    np.testing.assert_allclose(curve.value([0, 150], params), [60, 60 + 120 * share])
    grid = np.linspace(0, 150, 400)
    assert (np.diff(curve.value(grid, params)) > 0).all()
    if share == 1:
        assert curve.value(300, params) <= 180 + 1e-9


def test_curve_through_refuses_what_does_not_rise():
    for asked in (("quadratic", 180, 60, 150), ("quadratic", 60, 180, 0), ("linear", 60, 180, 150)):
        with pytest.raises(NotEstimable):
            curve_through(*asked)


def test_figures_show_the_truth_the_open_ends_and_each_plan(averaged):
    ax = averaged.plot()
    labels = [t.get_text() for t in ax.get_legend().get_texts()]
    assert "true optimum, 133 kg/ha" in labels
    drawn = sum(len(c.get_segments()) for c in ax.collections)
    assert drawn == 100
    held = next(int(t.split(": ")[1]) for t in labels if t.startswith("holds"))
    some = averaged.trials.head(100)
    true = averaged.table["true_optimum_kg_ha"].item()
    assert held == ((some["low"] <= true) & ((some["high"] >= true) | some["high_open"])).sum()
    plans = {"wide": (RATES, 3), "short": (RATES[:4], 5)}  # the optimum lies beyond the second plan's rates
    both = expected_interval(plans, params=QP, n=100, **METRIC).plot()
    assert [t.get_text() for t in both.get_yticklabels()] == list(plans)
    assert any(list(line.get_xdata()) == pytest.approx([132.857, 120], abs=0.01) for line in both.lines)


def test_row_of_a_plan_tells_its_trials(averaged):
    """Shares, widths and errors counted again over the simulated trials."""
    trials, row, true = averaged.trials, averaged.table.iloc[0], (0.07 - 0.008) / (2 * 0.07 / 300)
    width, off = trials["high"] - trials["low"], trials["optimum"] - true
    holds = [t.low <= true and (t.high >= true or t.high_open) for t in trials.itertuples()]
    wanted = {
        "rates": 6, "blocks": 4, "strips": 24, "highest_rate_kg_ha": 200, "true_optimum_kg_ha": true,
        "median_width_kg_ha": np.median(width), "width_p10_kg_ha": np.percentile(width, 10),
        "width_p90_kg_ha": np.percentile(width, 90), "bias_kg_ha": off.mean(),
        "rmse_kg_ha": np.sqrt((off**2).mean()), "coverage_pct": 100 * np.mean(holds),
        "open_pct": 100 * trials["high_open"].mean(),
        "no_response_pct": 100 * (trials["status"] == "no economic response").mean(),
    }  # fmt: skip
    for name, value in wanted.items():
        assert row[name] == pytest.approx(value, rel=1e-9), name
    word = "above" if row["bias_kg_ha"] > 0 else "below"
    assert f"kg/ha {word} the true optimum" in averaged.summary()
    checks = averaged.checks.set_index("check")
    least = checks.loc["6 rates in 4 blocks: interval holds the true optimum [%]", "limit"]
    assert float(least.removeprefix(">= ")) == pytest.approx(95 - 300 * np.sqrt(0.95 * 0.05 / 240), rel=5e-3)
    closed = checks.loc["6 rates in 4 blocks: interval closed above [% of trials]", "value"]
    assert closed == pytest.approx(100 - row["open_pct"])
    found = checks.loc["6 rates in 4 blocks: a response is found [% of trials]", "value"]
    assert found == pytest.approx(100 - row["no_response_pct"])


def test_simulated_yields_scatter_about_the_curve_by_the_error_asked_for():
    rate, block, yields = simulate([0, 50, 100], 2, CURVES["linear"], np.array([4.0, 0.03]), 0.3, 40_000,
                                   np.random.default_rng(1))  # fmt: skip
    assert (rate.tolist(), block.tolist()) == ([0, 50, 100] * 2, [0] * 3 + [1] * 3)
    np.testing.assert_allclose(yields.mean(axis=0), [4, 5.5, 7] * 2, atol=0.01)
    np.testing.assert_allclose(yields.std(axis=0), 0.3, atol=0.005)
    assert np.abs(np.corrcoef(yields.T) - np.eye(6)).max() < 0.03


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"params": (4, np.nan, 0)}, "parameters a, b, c"),
        ({"params": ((4, 0.07, 0),)}, "parameters a, b, c"),
        ({"sd": np.inf}, "plain number"),
        ({"sd": -1.0}, "error of a strip"),
        ({"rates": [0, np.inf, 100]}, "zero or more"),
        ({"rates": [[0, 50, 100]]}, "list of numbers"),
        ({"n": 99}, "100 trials"),
    ],
)
def test_numbers_that_cannot_be_are_refused(change, words):
    with pytest.raises((NotEstimable, InputError), match=words):
        expected_interval(**{"rates": RATES, "n_blocks": 4, "params": QP} | METRIC | change)
