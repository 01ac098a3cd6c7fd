"""Curves by groups of one trial; R: tests/reference/r/groups.R."""

import io
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from scipy.stats import f, t

from fertkit.errors import FertkitError, InputError, NotEstimable
from fertkit.intake.strips import read_strips
from fertkit.response import analyse_response, compare_groups
from fertkit.response.group_rates import difference_of

BACHMAIER = {"nutrient_price": 0.60, "grain_price": 110}


@pytest.fixture(scope="module")
def wheat(outside):
    return outside("bachmaier_wheat_n.csv").rename(columns={"n_kg_ha": "rate_kg_ha"})


@pytest.fixture(scope="module")
def zones(wheat):
    return compare_groups(wheat, "zone", **BACHMAIER)


@pytest.fixture(scope="module")
def quadratic_zones(wheat):
    return compare_groups(wheat, "zone", curve="quadratic", **BACHMAIER)


@pytest.fixture(scope="module")
def split_plot(outside):
    """Yates' oats: yields in quarter pounds of 1/80 acre as hundredweights of 112 lb an acre."""
    oats = outside("yates_oats_splitplot_n.csv")
    return pd.DataFrame({
        "block": oats["block"], "variety": oats["gen"], "rate_cwt_ac": oats["n_cwt_ac"],
        "yield_cwt_ac": oats["yield_qlb_plot"] * 80 / 4 / 112,
    })  # fmt: skip


@pytest.fixture(scope="module")
def oats(split_plot):
    return compare_groups(split_plot, "variety", nutrient_price=50, grain_price=10)


def rows_of(result, curve):
    return result.models[result.models["curve"] == curve].set_index("structure")


# ---- common, parallel and separate curves


@pytest.mark.parametrize(
    ("curve", "rss", "aicc", "tests"),
    [
        ("quadratic", [133.677429, 40.8437962, 39.3224388], [45.2740973, -56.8154974, -55.4876517],
         [190.923123, 1.5862611]),
        ("mitscherlich", [133.039695, 40.2060623, 38.4228267], [44.8532718, -58.200367, -57.5242875],
         [193.951476, 1.90284436]),
        ("quadratic_plateau", [133.671916, 40.8382837, 39.249967], [45.2704683, -56.8273753, -55.6499865],
         [190.948895, 1.6591347]),
        ("linear_plateau", [138.964373, 46.1307403, 42.9095402], [48.6874362, -46.1037321, -47.8053516],
         [169.041838, 3.07785183]),
    ],
)  # fmt: skip
def test_two_zones_as_nls_fits_them(zones, curve, rss, aicc, tests):
    """R: nls and lm of common, parallel and separate curves, F by anova of the nested fits."""
    rows = rows_of(zones, curve).loc[["common", "parallel", "separate"]]
    assert rows["rss"].tolist() == pytest.approx(rss, rel=1e-7)
    assert rows["aicc"].tolist() == pytest.approx(aicc, abs=2e-6)
    assert rows["f"].tolist()[1:] == pytest.approx(tests, rel=1e-6)
    assert rows["p"].tolist()[1:] == pytest.approx(f.sf(tests, [1, 2], [84, 82]), rel=1e-5)
    assert zones.best["structure"] == "parallel"


def test_whole_plot_error_judges_the_levels(oats):
    """Yates 1935: varieties F(2, 10) = 1.4853 against the whole-plot error, p = 0.2724; R: lme, aov, lm."""
    rows = rows_of(oats, "quadratic")
    level, shape = rows.loc["parallel"], rows.loc["separate"]
    assert level[["f", "df1", "df2", "p"]].tolist() == pytest.approx([1.485340, 2, 10, 0.272387], abs=1e-5)
    assert shape[["f", "df1", "df2", "p"]].tolist() == pytest.approx([0.265347, 4, 48, 0.898778], abs=1e-6)
    aicc = rows.loc[["common", "parallel", "separate"], "aicc"].tolist()
    assert aicc == pytest.approx([156.667574, 157.667237, 169.088961], abs=2e-6)
    assert rows_of(oats, "mitscherlich").loc["parallel", "aicc"] == pytest.approx(157.727345, abs=2e-6)


def test_yields_at_the_same_rate(oats, zones):
    """R: intervals(lme) with 10 df; confint(lm) of the parallel quadratic."""
    pair = oats.levels.set_index(["first", "second"]).loc[("GoldenRain", "Marvellous")]
    assert pair[["difference", "low", "high", "df"]].tolist() == pytest.approx(
        [0.94494048, -1.8716275, 3.7615085, 10], abs=1e-5
    )
    quadratic = replace(zones, models=zones.models[zones.models["curve"] == "quadratic"])
    row = quadratic.levels.iloc[0]
    assert row[["difference", "low", "high"]].tolist() == pytest.approx(
        [-2.05419341, -2.34983234, -1.75855449], abs=1e-8
    )


def test_no_one_difference_is_told_where_shapes_differ(oats):
    """By hand: 100 + x - x^2 / 400 lies 50 below 150 at 0 and 50 above it at 200."""
    rates, error = [0, 50, 100, 150, 200], [1.0, -1.0, 0.5, -0.5, 0.0]
    rows = [
        (zone, block, x, steep * (x - x**2 / 400) + level + (error * 2)[i + block])
        for zone, level, steep in (("clay", 150, 0), ("sand", 100, 1)) for block in (1, 2, 3)
        for i, x in enumerate(rates)
    ]  # fmt: skip
    trial = pd.DataFrame(rows, columns=["zone", "block", "rate_lb_ac", "yield_bu_ac"])
    result = compare_groups(trial, "zone", nutrient_price=0.5, grain_price=5, curve="quadratic")
    text = result.summary()
    assert result.shapes_differ
    assert not oats.shapes_differ
    assert "Yield differences by zone change with the rate" in text
    assert "at the same rate" not in text
    assert "Yields d" not in text
    assert "at the same rate" in oats.summary()


def test_lost_plots_leave_the_levels_to_reml(split_plot):
    """R, lmerTest: F = 2.0212 with 10.03 error df by observed information, here by the expected one."""
    lost = split_plot.drop(index=[2, 16, 17, 39])
    result = compare_groups(lost, "variety", nutrient_price=50, grain_price=10, curve="quadratic")
    row = result.tests("parallel")
    assert row["f"] == pytest.approx(2.021186, abs=1e-5)
    assert row["df2"] == pytest.approx(10.027, abs=0.06)
    assert row["aicc"] == pytest.approx(141.923044, abs=2e-5)
    pair = result.levels.set_index(["first", "second"]).loc[("GoldenRain", "Victory")]
    half = t.ppf(0.975, pair["df"]) * 1.228373
    assert pair[["difference", "low"]].tolist() == pytest.approx([-0.818192, -0.818192 - half], abs=1e-5)


# ---- optima, their differences, one common rate


def test_optima_by_zone_are_the_published_ones(quadratic_zones):
    """Bachmaier 2009: the low zone's 95 % interval is 173 to 260 at this price; R: high 203.969 to 328."""
    groups = quadratic_zones.groups.set_index("group")
    assert groups["rate"].to_dict() == pytest.approx({"low": 199.081, "high": 239.759}, abs=0.005)
    assert groups["low"].to_dict() == pytest.approx({"low": 173.096, "high": 203.969}, abs=0.005)
    assert groups["high_open"].all()  # 260.06 and 328 lie above the highest rate tested, 260


def test_a_group_answers_as_its_own_file_does(wheat):
    asked = BACHMAIER | {"curve": "mitscherlich"}
    zones = compare_groups(wheat, "zone", **asked)
    for zone, rows in wheat.groupby("zone"):
        alone = analyse_response(rows.drop(columns="zone"), replicates=0, **asked)
        assert zones.analyses[zone].optimum == alone.optimum


def test_curves_are_weighted_by_their_fit_to_all_groups(zones):
    """RSS by zone (R: response_reference_fits.csv), 44 strips each: weights as (RSS_low RSS_high)^-22.

    Beyond the highest rate the plateau of the high zone is the quadratic; it is not in the low zone.
    """
    rss = {
        "quadratic": (24.6113571, 14.7110817), "square_root": (23.6434555, 15.2287222),
        "linear_plateau": (26.8373527, 16.0721875), "quadratic_plateau": (24.5388853, 14.7110817),
        "mitscherlich": (23.6594453, 14.7633814), "spherical": (25.3463596, 14.9468674),
    }  # fmt: skip
    support = pd.Series({key: (low * high) ** -22.0 for key, (low, high) in rss.items()})
    weights = zones.analyses["low"].weights
    assert weights.to_dict() == pytest.approx((support / support.sum()).to_dict(), abs=1e-6)
    assert weights.equals(zones.analyses["high"].weights)


def test_a_difference_goes_as_far_as_its_parts_reach(zones):
    """By hand: 0 - sqrt(3^2 + 4^2) and 0 + sqrt(1^2 + 2^2) about a difference of 30."""
    first, second = zones.analyses.values()
    ends = replace(first.optimum.interval, low=98.0, high=104.0, high_open=False)
    weights = pd.Series({"quadratic": 1.0})
    one = replace(first, weights=weights, optimum=replace(first.optimum, rate=100.0, interval=ends))
    ends = replace(ends, low=127.0, high=131.0, high_open=True)
    two = replace(second, weights=weights, optimum=replace(second.optimum, rate=130.0, interval=ends))
    between = difference_of(one, two)
    assert (between.low, between.high) == pytest.approx((30 - 5, 30 + np.hypot(1, 2)))
    assert (between.low_open, between.high_open) == (False, True)


def made(low_c=0.001, high_c=0.0005, noise=0.5, blocks=2, rates=(0, 50, 100, 150, 200)):
    """Two groups on 48 + 0.2 x - c x^2, strips above and below it by the same."""
    rows = [
        (group, block, x, 48 + 0.2 * x - c * x**2 + noise * (1 if (block + i) % 2 else -1))
        for group, c in (("A", low_c), ("B", high_c))
        for block in range(blocks)
        for i, x in enumerate(rates)
    ]
    return pd.DataFrame(rows, columns=["hybrid", "block", "rate_lb_ac", "yield_bu_ac"])


MADE = {"nutrient_price": 0.4, "grain_price": 10.0}


def exact(**options):
    return compare_groups(made(noise=1e-6), "hybrid", curve="quadratic", **MADE, **options)


def test_one_common_rate_and_its_cost_by_hand():
    """Optima 80 and 160; of the mean curve, c = 0.00075, 0.16 / 0.0015 = 106.667.

    Off its optimum a group loses c d^2 in yield: 0.001 x 26.667^2 and 0.0005 x 53.333^2 bushels of 10.
    """
    result = exact()
    assert result.groups["rate"].tolist() == pytest.approx([80, 160], abs=1e-3)
    assert result.common_rate == pytest.approx(106.6667, abs=1e-3)
    lost = [10 * 0.001 * 26.66667**2, 10 * 0.0005 * 53.33333**2]
    assert [result.costs[name].value for name in "AB"] == pytest.approx(lost, abs=1e-3)
    assert result.net_of_groups.value == pytest.approx(np.mean(lost), abs=1e-3)
    assert result.pays


def test_shares_of_the_area_move_the_common_rate():
    """Three quarters of the area in A: c = 0.000875, 0.16 / 0.00175 = 91.43."""
    result = exact(shares={"A": 30, "B": 10})
    assert result.common_rate == pytest.approx(0.16 / 0.00175, abs=1e-3)
    lost = [10 * 0.001 * (91.42857 - 80) ** 2, 10 * 0.0005 * (160 - 91.42857) ** 2]
    assert result.net_of_groups.value == pytest.approx(0.75 * lost[0] + 0.25 * lost[1], abs=1e-3)


def test_the_interval_of_a_loss_is_that_of_the_contrast(wheat, quadratic_zones):
    """Of a quadratic the loss is linear in its coefficients: t interval of lm, worked out here with numpy."""
    result, low = quadratic_zones, wheat[wheat["zone"] == "low"]
    x, y = low["rate_kg_ha"].to_numpy(float), low["yield_t_ha"].to_numpy()
    design = np.column_stack([np.ones_like(x), x, x**2])
    coef, rss = np.linalg.lstsq(design, y, rcond=None)[:2]
    own, common = result.analyses["low"].optimum.rate, result.common_rate
    contrast = np.array([0, own - common, own**2 - common**2])
    se = np.sqrt(contrast @ np.linalg.inv(design.T @ design) @ contrast * rss[0] / 41)
    value = 110 * contrast @ coef - 0.6 * (own - common)
    reach = 110 * t.ppf(0.975, 41) * se
    assert result.costs["low"] == pytest.approx((value, value - reach, value + reach), rel=1e-6)
    # Two groups differ in one contrast: over both no more is allowed for, and half the area lies in each.
    half = [0.5 * (cost.high - cost.value) for cost in result.costs.values()]
    net = result.net_of_groups
    assert net.value - net.low == pytest.approx(np.hypot(*half), rel=1e-6)
    assert net.high - net.value == pytest.approx(sum(half), rel=1e-6)


def test_of_several_groups_the_reach_is_that_of_all_contrasts():
    """Three groups of 10 strips in 2 blocks, 6 df each: t of 18 df is widened to sqrt(2 F(2, 18))."""
    table = made()
    third = table[table["hybrid"] == "A"].assign(hybrid="C")
    result = compare_groups(pd.concat([table, third]), "hybrid", curve="quadratic", **MADE)
    tail = t.sf(np.sqrt(2 * f.ppf(0.95, 2, 18)), 18)
    ratio = t.isf(tail, 6) / t.isf(0.025, 6)
    half = [ratio / 3 * (cost.high - cost.value) for cost in result.costs.values()]
    net = result.net_of_groups
    assert net.value - net.low == pytest.approx(np.linalg.norm(half), rel=1e-6)


def test_groups_alike_need_no_rates_of_their_own():
    table = made(low_c=0.001, high_c=0.001)
    result = compare_groups(table, "hybrid", **MADE)
    assert result.net_of_groups.value == pytest.approx(0, abs=1e-6)
    assert not result.pays
    assert result.differences["difference"].iloc[0] == pytest.approx(0, abs=1e-6)
    assert "is not shown to pay" in result.summary()


@pytest.mark.parametrize("low_and_high", [(-1, 0), (1, 4)])
def test_a_common_rate_at_an_end_is_that_end(low_and_high):
    """Where yields fall, or rise at four times what N costs, from the first rate to the last."""
    bend, slope = low_and_high
    table = made(low_c=0.0, high_c=0.0, noise=0.2)
    table["yield_bu_ac"] += (0.04 * slope - 0.2) * table["rate_lb_ac"] - 0.01 * (bend < 0) * table[
        "rate_lb_ac"
    ]
    result = compare_groups(table, "hybrid", **MADE)
    assert result.common_rate == table["rate_lb_ac"].agg("max" if slope else "min")


@settings(max_examples=3, phases=[Phase.generate])
@given(scale=st.floats(0.1, 20), shift=st.floats(-20, 200), mirror=st.booleans())
def test_units_and_names_make_no_difference(scale, shift, mirror):
    """Yields in another unit, with another level and other names of groups: rates, F and p stay."""
    table = made(noise=1.5, blocks=3)
    other = table.assign(yield_bu_ac=(table["yield_bu_ac"] + shift) * scale)
    names = {"A": "Z", "B": "B"} if mirror else {"A": "A", "B": "B"}
    other["hybrid"] = other["hybrid"].map(names)
    first = compare_groups(table, "hybrid", curve="quadratic_plateau", **MADE)
    second = compare_groups(
        other, "hybrid", curve="quadratic_plateau", nutrient_price=0.4, grain_price=10.0 / scale
    )
    for name, renamed in names.items():
        assert second.analyses[renamed].optimum.rate == pytest.approx(
            first.analyses[name].optimum.rate, rel=1e-6
        )
    assert second.common_rate == pytest.approx(first.common_rate, rel=1e-6)
    assert second.net_of_groups.high == pytest.approx(first.net_of_groups.high, rel=1e-5)
    for structure in ("parallel", "separate"):
        assert second.tests(structure)["f"] == pytest.approx(first.tests(structure)["f"], rel=1e-5)


def test_other_prices_refit_nothing(zones):
    moved = zones.at_prices(nutrient_price=1.2, grain_price=110)
    assert moved.models is zones.models
    assert (moved.groups["rate"] < zones.groups["rate"]).all()


# ---- what is refused


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda trial: trial[trial["hybrid"] == "A"], "one level, A"),
        (lambda trial: trial[(trial["hybrid"] == "A") | (trial["rate_lb_ac"] == 50)], r"too few: B \(50\)"),
        (lambda trial: trial[trial["block"] == 0].assign(block=trial["hybrid"]), "separated from the block"),
        (lambda trial: trial.assign(
            rate_lb_ac=trial["rate_lb_ac"] + 300 * (trial["hybrid"] == "B")), "do not overlap"),
    ],
)  # fmt: skip
def test_groups_that_cannot_be_compared(change, what):
    with pytest.raises(NotEstimable, match=what):
        compare_groups(change(made()), "hybrid", **MADE)


def test_a_group_is_called_as_its_file_calls_it():
    file = io.StringIO("Block,Strip,Rate [lb/ac],Yield [bu/ac]\n1,7,0,40\n1,7,50,44\n2,7,0,41\n2,7,50,45\n")
    trial = read_strips(file, columns={"factor": "Strip"})
    with pytest.raises(NotEstimable, match="'Strip' has one level, 7"):
        compare_groups(trial, trial.factor, nutrient_price=0.5, grain_price=5)


def test_every_row_names_its_group():
    table = made()
    table.loc[3, "hybrid"] = None
    with pytest.raises(InputError, match="no hybrid is given"):
        compare_groups(table, "hybrid", **MADE)
    with pytest.raises(InputError, match="no column 'tillage'"):
        compare_groups(made(), "tillage", **MADE)
    spelled = made().assign(
        hybrid=lambda trial: trial["hybrid"].where(trial["block"] == 0, trial["hybrid"] + " 2")
    )
    spelled.loc[spelled.index[-1], "hybrid"] = "b-2"
    with pytest.raises(InputError, match="'B 2' and 'b-2' differ"):
        compare_groups(spelled, "hybrid", **MADE)
    with pytest.raises(FertkitError, match="an area, 0 or more"):
        compare_groups(made(), "hybrid", shares={"A": 1}, **MADE)


def test_groups_in_blocks_of_their_own_are_judged_by_blocks():
    """Balanced: F of the levels is that of block means, (mean difference)^2 / (2 s^2 / 3), by hand."""
    table = made(high_c=0.001, blocks=3, noise=0.3)
    lift = {("A", 0): -1, ("A", 1): 0, ("A", 2): 1, ("B", 0): 1.5, ("B", 1): 3, ("B", 2): 4.5}
    keys = list(zip(table["hybrid"], table["block"], strict=True))
    table["yield_bu_ac"] += [lift[key] for key in keys]
    table["block"] = [f"{hybrid}{block}" for hybrid, block in keys]
    result = compare_groups(table, "hybrid", curve="quadratic", **MADE)
    means = table.groupby("block")["yield_bu_ac"].mean()
    a, b = means[means.index.str.startswith("A")], means[means.index.str.startswith("B")]
    by_hand = (a.mean() - b.mean()) ** 2 / ((a.var() + b.var()) / 3)
    row = result.tests("parallel")
    assert (row["f"], row["df2"]) == pytest.approx((by_hand, 4), rel=1e-5)
    assert "has its own blocks" in result.summary()


@pytest.mark.parametrize("yields", [lambda trial: 50.0, lambda trial: 48 + 0.2 * trial["rate_lb_ac"]])
def test_yields_without_an_error_are_said_to_tell_nothing_of_it(yields):
    """Constant yields, or a straight line without noise: nothing is shown to differ or to pay."""
    table = made(blocks=3)
    result = compare_groups(table.assign(yield_bu_ac=yields(table)), "hybrid", curve="quadratic", **MADE)
    assert result.levels[["low", "high", "p"]].isna().all(axis=None)
    assert not result.pays
    assert "is not shown to pay" in result.summary()


def test_a_strip_without_a_yield_is_left_out_of_its_own_group_alone():
    rates, block = np.tile([0.0, 40, 80, 120], 6), np.repeat(range(3), 8)
    trial = pd.DataFrame(
        {"block": block, "rate_lb_ac": rates, "hybrid": np.tile(np.repeat(["A", "B"], 4), 3)}
    )
    trial["yield_bu_ac"] = 100 + 0.6 * rates - 0.002 * rates**2 + np.random.default_rng(2).normal(0, 2, 24)
    trial.loc[[4, 13], "yield_bu_ac"] = np.nan  # both of hybrid B
    found = compare_groups(trial, "hybrid", nutrient_price=0.5, grain_price=4.5)
    assert {name: one.data.left_out for name, one in found.analyses.items()} == {"A": 0, "B": 2}
