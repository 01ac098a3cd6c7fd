"""Surfaces of several nutrients against R (tests/reference/r/surfaces.R), publications and arithmetic."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import InputError, NotEstimable, PriceError
from fertkit.response import analyse_surface
from fertkit.response.curves.linear import QUADRATIC, SQUARE_ROOT
from fertkit.response.optimum import Status
from fertkit.response.surface_form import Form, best_in_box
from fertkit.response.surface_parts import Shape, grid_of
from fertkit.response.surface_region import Question, cheapest, misfit

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"
CENTS = {"nutrient_price": {"N": 0.18, "P2O5": 0.12}, "grain_price": 1.4}


def trial_of(table, unit="bu_ac", **columns):
    """A trial with columns of rates in the order of the nutrients."""
    rates = {f"rate_{name.lower()}_lb_ac": table[old] for name, old in columns.items()}
    block = {"block": table["block"]} if "block" in table else {}
    return pd.DataFrame({**block, **rates, f"yield_{unit}": table["yield"]})


@pytest.fixture(scope="module")
def heady(outside):
    """Heady, Pesek & Brown (1955): two strips of 57 combinations; corn N x P2O5, hay P2O5 x K2O."""
    return outside("heady_corn_alfalfa_clover_npk.csv").dropna(subset="yield")


@pytest.fixture(scope="module")
def corn(heady):
    table = trial_of(heady[heady["crop"] == "corn"], N="N", P2O5="P")
    return analyse_surface(table, **CENTS)


@pytest.fixture(scope="module")
def quadratic(corn):
    table = pd.DataFrame(corn.data.rates, columns=["rate_n_lb_ac", "rate_p2o5_lb_ac"])
    table["yield_bu_ac"] = corn.data.yields
    return analyse_surface(table, **CENTS, surface=QUADRATIC.key)


@pytest.fixture(scope="module")
def welch(outside):
    """Welch, Adams & Carmon (1963): means of a 4 x 4 x 4 trial of bermudagrass."""
    table = outside("welch_bermudagrass_npk.csv")
    table.columns = ["rate_n_lb_ac", "rate_p_lb_ac", "rate_k_lb_ac", "yield_ton_ac"]
    return analyse_surface(table, nutrient_price={"N": 0.12, "P": 0.18, "K": 0.07}, grain_price=25)


# ---- coefficients


def test_square_root_surface_of_corn(corn):
    """R, and the bulletin's -5.682, 6.3512, 8.5155, -0.316, -0.417, 0.3410, which it prints rounded."""
    assert corn.curve == SQUARE_ROOT.key
    assert corn.fit.names == ["level", "√N", "√P2O5", "N", "P2O5", "√(N x P2O5)"]
    held = [-5.69442385029, 6.35320218852, 8.51765891381, -0.316216819567, -0.41748643776, 0.340958413926]
    np.testing.assert_allclose(corn.fit.coef, held, rtol=1e-9)
    errors = [6.62729360598, 0.86814601991, 0.86814601991, 0.0399605815543, 0.0399605815543, 0.0385387517563]
    np.testing.assert_allclose(corn.fit.coefficients()["SE"], errors, rtol=1e-9)
    printed = [-5.682, 6.3512, 8.5155, -0.316, -0.417, 0.3410]
    np.testing.assert_allclose(corn.fit.coef, printed, rtol=4e-3)


def test_quadratic_surface_of_corn(quadratic):
    held = [-7.51056201123, 0.584303578665, 0.663841927378, -0.00158123615574, -0.00179715770677,
            0.000811305340189]  # fmt: skip
    np.testing.assert_allclose(quadratic.fit.coef, held, rtol=1e-9)


@pytest.mark.parametrize(
    ("crop", "coef", "errors"),
    [
        ("alfalfa",  # the bulletin prints these digits too, but for the last
         [1.87355211916, 0.0617458383406, 0.173538267934, -0.00139427997492, -0.00501952636104,
          -0.00144024101522],
         [0.122250136385, 0.0160142247569, 0.0160142247569, 0.000737131449954, 0.000737131449954,
          0.000710903717028]),
        ("clover",
         [2.46668207274, 0.0279133619515, 0.127309461209, -6.82311102993e-05, -0.00391765971822,
          -0.000958133827343],
         [0.118506965078, 0.0155238859452, 0.0155238859452, 0.00071456125597, 0.00071456125597,
          0.000689136588793]),
    ],
)  # fmt: skip
def test_surfaces_of_hay(heady, crop, coef, errors):
    table = trial_of(heady[heady["crop"] == crop], "ton_ac", K="K", P="P")
    prices = {"nutrient_price": {"K": 0.05, "P": 0.1}, "grain_price": 20}
    hay = analyse_surface(table, **prices)
    np.testing.assert_allclose(hay.fit.coef, coef, rtol=1e-9)
    np.testing.assert_allclose(hay.fit.coefficients()["SE"], errors, rtol=1e-9)


def test_surface_of_bermudagrass(welch):
    """R; the article prints 1.943, 2.007, 1.471, 0.6188 and so on for hundreds of pounds."""
    fit = welch.fits[QUADRATIC.key]
    held = [1.94261386364, 0.0200741667208, 0.0147070336482, 0.00618809214595, -3.31519886364e-05,
            -0.000129484410218, -3.74278499278e-05, 2.07814471243e-05, 1.87436345967e-05, 2.34791059281e-05,
            2.78873701614e-08]  # fmt: skip
    np.testing.assert_allclose(fit.coef, held, rtol=1e-9)
    printed = [1.943, 2.007, 1.471, 0.6188, -0.3315, -1.295, -0.3743, 0.2078, 0.1874, 0.2348, 0.02789]
    np.testing.assert_allclose(fit.coef * [1, *[1e2] * 3, *[1e4] * 6, 1e6], printed, rtol=3e-4)


def test_blocks_are_swept_out(outside):
    """Eden & Fisher (1929), 1926: four blocks, R with contrasts that sum to zero."""
    table = outside("eden_fisher_potato_nk.csv").query("year == '1926b'")
    table = table[["block", "n_cwt_ac", "k_cwt_ac", "yield_lb_plot"]]
    table.columns = ["block", "rate_n_cwt_ac", "rate_k_cwt_ac", "yield_cwt_ac"]
    potato = analyse_surface(table, nutrient_price={"N": 1, "K": 1}, grain_price=1)
    fit = potato.fits[QUADRATIC.key]
    held = [331.848295455, 49.4523133117, 29.9065746753, -5.62642045455, -7.03693181818, 6.62448979592]
    np.testing.assert_allclose(fit.coef, held, rtol=1e-9)
    errors = [15.9922786455, 14.2108603531, 14.2108603531, 3.13015846917, 3.13015846917, 2.5367670245]
    np.testing.assert_allclose(fit.coefficients()["SE"], errors, rtol=1e-9)
    rows = potato.models.set_index(["curve", "terms"])
    np.testing.assert_allclose(rows.loc[(QUADRATIC.key, "no interaction"), ["f", "p"]].astype(float),
                               [6.81936134704, 0.011600128992], rtol=1e-8)  # fmt: skip
    whole = [rows.loc[(key, "with interaction"), "aicc"] for key in (QUADRATIC.key, SQUARE_ROOT.key)]
    np.testing.assert_allclose(whole, [499.967439673, 500.576822965], rtol=1e-9)


def test_two_rates_of_each_nutrient(outside):
    """Peas at Rothamsted: N x P x K is confounded with blocks and left out, as R's lm leaves it."""
    table = trial_of(outside("rothamsted_pea_npk.csv"), "lb_ac", N="N", P="P", K="K")
    pea = analyse_surface(table, nutrient_price={"N": 1, "P": 1, "K": 1}, grain_price=1)
    held = [52.675, 9.85, 0.416666666667, -1.91666666667, -3.76666666667, -4.7, 0.566666666667]
    np.testing.assert_allclose(pea.fit.coef, held, rtol=1e-9)
    assert pea.fit.aliased == ("N x P x K",)
    rows = pea.models.set_index("terms")
    f = rows.loc["without N", ["f", "p"]].astype(float)
    np.testing.assert_allclose(f, [5.26100097147, 0.0150969886801], rtol=1e-8)
    assert pea.shape == Shape.STRAIGHT
    assert pea.optimum.status == Status.CORNER
    assert "Two rates of each nutrient show no curve" in pea.summary()
    assert not pea.intervals["low"].notna().any()


def test_simpler_surfaces(corn):
    rows = corn.models.set_index(["curve", "terms"])
    root = rows.loc[SQUARE_ROOT.key]
    np.testing.assert_allclose(root.loc["no interaction", "f"], 78.2721991741, rtol=1e-9)
    np.testing.assert_allclose(root.loc["N alone", ["f", "p"]].astype(float),
                               [240.11822993, 1.29749542106e-47], rtol=1e-7)  # fmt: skip
    np.testing.assert_allclose(root.loc[["with interaction", "N alone"], "aicc"],
                               [603.405700126, 828.969432183], rtol=1e-9)  # fmt: skip
    fit = root.loc["with interaction", ["lack_of_fit_f", "lack_of_fit_p"]].astype(float)
    np.testing.assert_allclose(fit, [1.37913913147, 0.119024538521], rtol=1e-8)
    assert round(root.loc["with interaction", "r2"], 6) == 0.918118  # the bulletin's R2


# ---- the best combination


@pytest.mark.parametrize(
    ("surface", "prices", "rates"),
    [
        (SQUARE_ROOT.key, (0.18, 0.12, 1.4), (142.458147186, 156.428368307)),
        (SQUARE_ROOT.key, (0.30, 0.05, 1.1), (81.3233939059, 156.760192332)),
        (QUADRATIC.key, (0.18, 0.12, 1.4), (196.763550142, 205.25826903)),
        (QUADRATIC.key, (0.30, 0.05, 1.1), (151.428604955, 206.226257992)),
    ],
)
def test_best_combination_of_corn(corn, surface, prices, rates):
    """A search from many starts in R."""
    n, p, grain = prices
    fit = corn.fits[surface]
    best = best_in_box(fit.net_form([n / grain, p / grain]), fit.t([0, 0]), fit.t([320, 320]))
    np.testing.assert_allclose(fit.rates(best), rates, rtol=1e-6)


def test_best_combination_of_bermudagrass(welch):
    """The article's grid gives about 300, 71 and 148 lb; 117.82151 an acre at its prices."""
    assert welch.optimum.status == Status.INTERIOR
    np.testing.assert_allclose(welch.optimum.rates, [299.996772, 71.611286, 150.844889], rtol=1e-8)
    net = 25 * welch.fit.predict(welch.optimum.rates) - welch.optimum.rates @ [0.12, 0.18, 0.07]
    assert round(float(net), 5) == 117.82151
    moved = welch.at_prices({"N": 0.30, "P": 0.10, "K": 0.20}, 20).optimum
    np.testing.assert_allclose(moved.rates, [90.5547407326, 44.7501447817, 0], rtol=1e-6)
    assert moved.status == Status.EDGE
    assert moved.statuses == (Status.INTERIOR, Status.INTERIOR, Status.NONE)


def test_slopes_equal_price_ratios_at_an_inside_optimum(corn):
    at, step = corn.optimum.rates, 1e-4
    for i, ratio in enumerate(corn.ratios):
        move = step * np.eye(2)[i]
        slope = (corn.fit.predict(at + move) - corn.fit.predict(at - move)) / (2 * step)
        assert slope == pytest.approx(ratio, rel=1e-7)


numbers = st.floats(-3, 3)


@settings(max_examples=60, deadline=None)
@given(st.lists(numbers, min_size=10, max_size=10), st.floats(0, 0.8))
def test_no_combination_within_the_box_beats_the_best(values, low):
    b, diagonal, off, e = values[:3], values[3:6], values[6:9], values[9]
    c = np.diag(diagonal)
    c[np.triu_indices(3, 1)] = off
    form = Form(0.0, np.array(b), (c + c.T) / 2, e)
    best = best_in_box(form, np.full(3, low), np.ones(3))
    assert (best >= low).all()
    assert (best <= 1).all()
    axis = np.linspace(low, 1, 21)
    grid = np.stack(np.meshgrid(axis, axis, axis), -1).reshape(-1, 3)
    assert form.value(best) >= form.value(grid).max() - 1e-9


@settings(max_examples=20, deadline=None)
@given(st.floats(0.05, 20), st.floats(0.05, 20))
def test_best_combination_does_not_move_with_units(corn, one, other):
    """Rates counted in other units with prices to match are the same rates."""
    table = pd.DataFrame(corn.data.rates * [one, other], columns=["rate_n_lb_ac", "rate_p2o5_lb_ac"])
    table["yield_bu_ac"] = corn.data.yields
    prices = {"N": 0.18 / one, "P2O5": 0.12 / other}
    moved = analyse_surface(table, nutrient_price=prices, grain_price=1.4)
    np.testing.assert_allclose(moved.optimum.rates, corn.optimum.rates * [one, other], rtol=1e-7)


def test_a_dearer_nutrient_is_used_less(corn):
    rates = [
        corn.at_prices({"N": price, "P2O5": 0.12}, 1.4).optimum.rates[0]
        for price in np.linspace(0, 1.5, 12) + 0.01
    ]
    assert (np.diff(rates) <= 1e-9).all()


# ---- region, intervals, shape


def test_intervals_are_profiles(quadratic):
    """R: the surface written with the best rates as its parameters, and refitted."""
    rows = quadratic.intervals
    np.testing.assert_allclose(
        rows[["low", "high"]], [[183.272939, 215.574320], [192.614226, 222.774079]], atol=2e-3
    )
    joint = [[180.304913, 221.880950], [189.870995, 228.518485]]
    np.testing.assert_allclose(rows[["joint_low", "joint_high"]], joint, atol=2e-3)


def test_misfit_is_the_rise_of_the_residuals(quadratic):
    """R refits the surface with given best rates."""
    t, face = np.array([[180.0, 200.0], [210.0, 190.0]]), np.zeros(2, int)
    held = misfit(Question(quadratic.fit, quadratic.ratios), t, face)
    np.testing.assert_allclose(held, [6.58091099237, 15.6255872272], rtol=1e-9)


def test_eigenvalues_and_their_errors(quadratic):
    """R: the errors are those of the squares along the axes (Bisgaard & Ankenman 1996)."""
    axes = quadratic.axes
    np.testing.assert_allclose(axes["eigenvalue"], [-0.00126942363791, -0.0021089702246], rtol=1e-9)
    np.testing.assert_allclose(axes["scaled"], [-129.988980522, -215.958550999], rtol=1e-9)
    half = (axes["high"] - axes["low"]) / 2
    from scipy.stats import t as student

    np.testing.assert_allclose(half / student.ppf(0.975, 108), [15.3783372046, 15.6845496708], rtol=1e-9)
    assert quadratic.shape == Shape.MAXIMUM


def test_gain_has_the_interval_of_a_contrast(quadratic):
    row = quadratic.gain.iloc[0]
    assert row["value"] == pytest.approx(147.060214131, rel=1e-7)
    assert (row["high"] - row["low"]) / 2 == pytest.approx(16.828860961, rel=1e-7)
    cost = (196.763550142 * 0.18 + 205.25826903 * 0.12) / 1.4
    assert quadratic.net_gain.value == pytest.approx(1.4 * (row["value"] - cost), rel=1e-7)


def square(formula, noise=0.0, seed=1, repeat=2):
    """Invented 4 x 4 combinations, 0 to 90 lb of N and 0 to 60 of P2O5, with yields by a formula."""
    n, p = (axis.ravel() for axis in np.meshgrid(np.linspace(0, 90, 4), np.linspace(0, 60, 4)))
    n, p = np.tile(n, repeat), np.tile(p, repeat)
    error = noise * np.random.default_rng(seed).standard_normal(len(n))
    table = {"rate_n_lb_ac": n, "rate_p2o5_lb_ac": p, "yield_bu_ac": formula(n / 90, p / 60) + error}
    return analyse_surface(pd.DataFrame(table), nutrient_price={"N": 0.1, "P2O5": 0.1}, grain_price=5,
                           surface=QUADRATIC.key)  # fmt: skip


def test_a_saddle_is_told_from_a_hill():
    """60 + 20 x y - 8 (x - y)²: eigenvalues along x = y and across are those of [[-8, 18], [18, -8]]."""
    saddle = square(lambda x, y: 60 + 20 * x * y - 8 * (x - y) ** 2, 0.5)
    np.testing.assert_allclose(saddle.axes["scaled"], [10, -26], atol=4)
    assert saddle.shape == Shape.SADDLE
    assert saddle.optimum.status == Status.CORNER
    assert saddle.optimum.statuses == (Status.TOP, Status.TOP)
    said = saddle.summary()
    assert "Shape: a saddle" in said
    assert "N at least 90 lb/ac, the highest tested" in said
    assert saddle.intervals["low"].min() > 45  # not the corner of no fertilizer, where slopes point out too
    assert "N up by" in said or "N down by" in said


def test_a_ridge_is_told_in_words():
    """60 + 10 (x + y) - 5 (x + y)²: flat along x + y = 1."""
    ridge = square(lambda x, y: 60 + 10 * (x + y) - 5 * (x + y) ** 2, 1.0)
    assert ridge.shape == Shape.RIDGE
    assert ridge.axes.iloc[0][["low", "high"]].prod() < 0
    assert "perhaps a ridge" in ridge.summary()


def test_no_response_supports_no_rate():
    flat = square(lambda x, y: 60 + 0 * x, 1.0)
    assert flat.models.iloc[0]["terms"] == "no response"
    assert "these strips do not support a rate yet" in flat.summary()


def test_regions_hold_the_optimum_and_nest(quadratic):
    grid = grid_of(quadratic)
    best = quadratic.optimum.rates
    at = np.abs(grid.second - best[1]).argmin(), np.abs(grid.first - best[0]).argmin()
    assert grid.joint[at] < 1
    rows = quadratic.intervals
    assert ((rows["joint_low"] < rows["low"]) & (rows["high"] < rows["joint_high"])).all()
    inside = grid.joint <= 1
    first = grid.first[inside.any(axis=0)]
    assert first.min() >= rows["joint_low"][0] - 1e-2
    assert first.max() <= rows["joint_high"][0] + 1e-2


# ---- ways to a yield


def test_the_best_combination_is_the_cheapest_way_to_its_yield(corn):
    at = corn.optimum.rates
    fit = corn.fit
    t = cheapest(fit, corn.ratios, [float(fit.predict(at))], fit.t([0, 0]), fit.t([320, 320]))
    np.testing.assert_allclose(fit.rates(t)[0], at, rtol=1e-5)


def test_path_and_isoquants_reach_their_yields(corn):
    path = corn.path
    rates = path[["N", "P2O5"]].to_numpy()
    np.testing.assert_allclose(corn.fit.predict(rates), path["yield"], rtol=1e-9)
    assert (np.diff(path["cost"]) > 0).all()
    rows = corn.isoquants.melt("N", var_name="yield", value_name="P2O5").dropna()
    rows = rows[rows["P2O5"] > 0]
    np.testing.assert_allclose(
        corn.fit.predict(rows[["N", "P2O5"]].astype(float)), rows["yield"].astype(float), rtol=1e-9
    )
    # along an isoquant none is cheaper than the path's combination
    for target, of in rows.groupby("yield"):
        cost = of[["N", "P2O5"]].to_numpy(float) @ corn.ratios * corn.grain
        least = path.loc[np.isclose(path["yield"], float(target)), "cost"].iloc[0]
        assert cost.min() >= least * (1 - 1e-6)


def test_a_nutrient_that_does_not_pay_yet_is_none_and_not_a_rest_of_the_search():
    """By hand: at equal prices of 20 + 0.2 N - 0.001 N² + 0.05 P - 0.0005 P² only N is bought up to N 75."""
    trial = pd.DataFrame([(n, p) for n in range(0, 121, 30) for p in range(0, 81, 20)], columns=["n", "p"])
    n, p = trial["n"], trial["p"]
    trial = trial.set_axis(["rate_n_lb_ac", "rate_p2o5_lb_ac"], axis=1).assign(
        yield_bu_ac=20 + 0.2 * n - 0.001 * n**2 + 0.05 * p - 0.0005 * p**2
    )
    path = analyse_surface(trial, nutrient_price={"N": 0.1, "P2O5": 0.1}, grain_price=5).path
    first = path[path["yield"] < 20 + 0.2 * 75 - 0.001 * 75**2]
    assert len(first) > 2
    assert (first["P2O5"] == 0).all()
    np.testing.assert_allclose(first["N"], 100 - np.sqrt(100**2 - 1000 * (first["yield"] - 20)), rtol=1e-6)


# ---- what is refused


def test_one_price_for_two_nutrients_is_refused(corn):
    with pytest.raises(PriceError, match="give a price for each nutrient") as told:
        corn.at_prices(0.5, 1.4)
    assert "--nutrient-price N=0.5,P2O5=0.6" in str(told.value)
    with pytest.raises(PriceError, match="prices are given for N, K2O: give one for each"):
        corn.at_prices({"N": 0.5, "K2O": 0.3}, 1.4)


@pytest.mark.parametrize(
    ("rates", "why"),
    [
        (
            [(0, 0), (40, 20), (80, 40), (120, 60)] * 3,
            "rise together as in a blend, 20 of P2O5 for every 40 of N",
        ),
        ([(0, 30), (40, 30), (80, 30), (120, 30)] * 3, "P2O5 is 30 on every strip"),
        ([(0, 0), (40, 0), (80, 0), (0, 30), (0, 60)] * 3, "were not combined"),
        ([(0, 1), (40, 21), (80, 41), (120, 62)] * 3, "follow each other closely"),
        ([(n, p) for n in (0, 40, 80) for p in (0, 30)], None),
    ],
)
def test_nutrients_that_cannot_be_told_apart(rates, why):
    table = pd.DataFrame(rates, columns=["rate_n_lb_ac", "rate_p2o5_lb_ac"], dtype=float)
    table["yield_bu_ac"] = 50 + np.arange(len(table)) % 7.0
    if why is None:
        assert analyse_surface(table, **CENTS).data.curved.tolist() == [True, False]
        return
    with pytest.raises(NotEstimable, match=why):
        analyse_surface(table, **CENTS)


def test_rates_that_are_none_are_named():
    table = pd.DataFrame(
        {"rate_n_lb_ac": [0, None, 40], "rate_p2o5_lb_ac": [0, 30, -5.0], "yield_bu_ac": 1.0}
    )
    with pytest.raises(InputError) as told:
        analyse_surface(table, **CENTS)
    assert "row 3, column 'rate_n_lb_ac'" in str(told.value)
    assert "a rate cannot be negative" in str(told.value)


# ---- coverage, by simulation (tests/benchmarks/surface_coverage.py)


def test_coverage_of_the_joint_region(benchmark):
    """500 trials a scenario: 94 to 96 in 100 where the best lies inside, more where it lies at an end."""
    table = pd.read_csv(BENCHMARKS.parent / "reference" / "coverage" / "surface.csv").set_index("scenario")
    at_end = table.index.str.contains("edge|corner")
    shares = table[["joint", "n", "p2o5"]]
    margin = 3 * np.sqrt(0.95 * 0.05 / table["trials"].min())
    assert (shares[~at_end] - 0.95).abs().max(axis=None) < margin
    assert (shares[at_end] > 0.95 - margin).all(axis=None)
    again = benchmark("surface_coverage").simulate("hill inside", 60, seed=5)
    assert min(again["joint"], again["n"], again["p2o5"]) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / 60)


def test_few_strips_and_strips_without_error():
    """Six strips fit six parameters: nothing is left to judge by, nor in yields by a formula."""
    table = pd.DataFrame(
        {"rate_n_lb_ac": [0, 60, 120, 0, 0, 60.0], "rate_p2o5_lb_ac": [0, 0, 0, 40, 80, 40.0]}
    )
    table["yield_bu_ac"] = [40, 57, 59, 48, 50, 68.0]
    few = analyse_surface(table, **CENTS)
    assert few.fit.df_error == 0
    assert not few.intervals["low"].notna().any()
    assert "no error to test it" in few.summary()
    assert "(no interval: no error can be estimated)" in few.summary()
    exact = square(lambda x, y: 60 + 30 * x - 20 * x * x + 20 * y - 15 * y * y + 4 * x * y)
    assert "no error to test it" in exact.summary()
    with pytest.raises(NotEstimable, match="all yields are equal"):
        square(lambda x, y: 60 + 0 * x)
