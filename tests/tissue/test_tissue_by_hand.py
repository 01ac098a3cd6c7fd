"""Ratios, doubts, indices, oxides and treatments worked out in the test; samples and norms are made up."""

import dataclasses
import itertools
import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from fertkit.errors import InputError, NotEstimable
from fertkit.say.leaf_results import low_relative
from fertkit.tissue import build_norms, cnd, compare_treatments, dop, dris
from fertkit.tissue.agree import above_ranges
from fertkit.tissue.indices import check_norms, dris_function
from fertkit.tissue.oxides import oxide_checks
from fertkit.tissue.verdicts import soil_on_leaf
from fertkit.tissue.wide import apply_paired_rules, balanced_with, wide_alone, wide_ratios

NAN = float("nan")


def scored(*rows):
    blank = {
        "specimen": 1, "sample_id": "a", "label": "a", "crop": "wheat", "unit": "%", "censored": "",
        "reason": "", "aside": "", "within_critical": True, "probability_below": 0.9, "provenance": "found",
        "match": "same part", "source_key": "A", "low": NAN, "high": NAN, "toxic_above": NAN, "value": 1.0,
    }  # fmt: skip
    return pd.DataFrame([blank | row for row in rows])


def result(nutrient, name, **values):
    return {"nutrient": nutrient, "class": name} | values


def paired(s, n, **values):
    """Sulfur and nitrogen of one wheat sample, sulfur called short by PURDUE_S."""
    first = result("S", "low", value=s, source_key="PURDUE_S", **values)
    return scored(first, result("N", "sufficient", value=n), result("S", "low", value=s, source_key="B"))


def test_sulfur_is_short_by_purdue_only_with_a_wide_ratio():
    # PURDUE_S: sulfur below 0.12 % and N:S of 20 or more
    kept = apply_paired_rules(paired(0.1, 2.0))
    assert kept["class"].tolist() == ["low", "sufficient", "low"]
    assert kept["probability_below"].tolist() == [0.9] * 3
    half = apply_paired_rules(paired(0.1, 1.99))
    assert half["class"].tolist() == ["sufficient", "sufficient", "low"]
    assert half["within_critical"].tolist() == [False, True, True]
    assert np.isnan(half["probability_below"][0])
    assert half["probability_below"][1:].tolist() == [0.9, 0.9]
    assert half["reason"].tolist() == [
        "below the limit, but this source calls it short only with N:S of 20 or more; it is 19.9", "", "",
    ]  # fmt: skip
    for change in ({"value": [0.1, 0.0, 0.1]}, {"censored": ["", "<", ""]}):
        unknown = apply_paired_rules(paired(0.1, 2.5).assign(**change))
        assert unknown["class"].tolist() == ["cannot be classed", "sufficient", "low"]
        assert "which was not reported" in unknown["reason"][0]
    enough = paired(0.1, 1.0).assign(**{"class": "sufficient"})
    assert apply_paired_rules(enough).equals(enough)
    corn = paired(0.1, 1.0).assign(crop="corn")
    assert apply_paired_rules(corn)["class"].tolist() == ["low", "sufficient", "low"]
    mixed = pd.concat([paired(0.1, 1.0), paired(0.1, 1.0).assign(crop="corn", specimen=2)], ignore_index=True)
    assert apply_paired_rules(mixed)["class"].tolist() == [
        "sufficient",
        "sufficient",
        "low",
        "low",
        "sufficient",
        "low",
    ]
    winter = paired(0.1, 1.0).assign(crop="winter wheat")
    assert apply_paired_rules(winter)["class"][0] == "sufficient"


def ratio(name, key, high, **values):
    return result("N:S", name, unit="ratio", value=21.0, high=high, source_key=key, **values)


def test_a_ratio_is_wide_by_more_than_half_of_its_sources():
    two = scored(ratio("high", "A", 18.0), ratio("excessive", "B", 20.0), ratio("sufficient", "C", 25.0))
    (wide,) = wide_ratios(two).values()
    assert (wide.ratio, wide.value, wide.lowest, wide.highest) == ("N:S", 21.0, 18.0, 20.0)
    assert low_relative(wide) == "N:S is 21, above 18 to 20: S is low relative to N"
    half = scored(ratio("high", "A", 18.0), ratio("sufficient", "C", 25.0))
    assert wide_ratios(half) == {}
    alone = wide_ratios(scored(ratio("high", "A", 18.0)))["S"]
    assert low_relative(alone) == "N:S is 21, above 18: S is low relative to N"
    assert wide_ratios(scored(ratio("high", "", 18.0))) == {}
    assert wide_ratios(scored(ratio("high", "A", 18.0) | {"unit": "%"})) == {}
    other = scored(ratio("high", "A", 18.0), ratio("high", "A", 18.0, specimen=2, label="b"))
    items = pd.DataFrame({"specimen": [1], "nutrient": ["S"]})
    assert wide_alone(other, items) == [("b", alone)]
    assert wide_alone(other, items.iloc[:0]) == [("a", alone), ("b", alone)]


def test_balanced_with_the_other_of_a_ratio():
    rows = scored(ratio("sufficient", "A", 25.0), ratio("low", "B", 30.0))
    assert balanced_with(rows, {"N", "S", "K"}) == ["S"]
    assert balanced_with(rows, {"S"}) == []
    assert balanced_with(scored(ratio("sufficient", "A", 25.0), ratio("high", "B", 18.0)), {"N", "S"}) == []
    assert balanced_with(scored(ratio("excessive", "A", 18.0)), {"N", "S"}) == []
    assert balanced_with(scored(ratio("sufficient", "", 25.0)), {"N", "S"}) == []


@pytest.mark.parametrize(
    ("iron", "aluminium", "soiled"),
    [((501.0, ""), (401.0, ""), True), ((500.0, ""), (401.0, ""), False), ((501.0, ""), (400.0, ""), False),
     ((501.0, "<"), (401.0, ""), False), ((501.0, ""), (401.0, ">"), False)],
)  # fmt: skip
def test_soil_on_the_leaf_needs_both_above_their_lines(iron, aluminium, soiled):
    # table sanity: 500 mg/kg Fe with 400 mg/kg Al (from memory)
    rows = scored(
        result("Fe", "sufficient", value=iron[0], censored=iron[1]),
        result("Al", "no published range", value=aluminium[0], censored=aluminium[1]),
    )
    assert soil_on_leaf(rows) == soiled
    assert soil_on_leaf(scored(result("Fe", "high"), result("Al", "excessive")))
    assert not soil_on_leaf(scored(result("Fe", "high")))


def test_above_a_range_by_half_of_the_sources_or_more():
    two = [
        result("Fe", "high", high=100.0, value=150.0),
        result("Fe", "sufficient", high=200.0, source_key="B"),
    ]
    got = above_ranges(scored(*two))
    assert got[["nutrient", "class"]].to_numpy().tolist() == [["Fe", "high"]]
    assert got[["lowest_limit", "highest_limit", "over", "sources"]].to_numpy().tolist() == [[100, 100, 1, 2]]
    third = result("Fe", "low", high=300.0, source_key="C")
    assert above_ranges(scored(*two, third)).empty
    worst = scored(
        result("Fe", "high", high=100.0, toxic_above=400.0, value=350.0),
        result("Fe", "excessive", high=120.0, toxic_above=300.0, source_key="B"),
    )
    got = above_ranges(worst)
    assert got["class"].tolist() == ["excessive"]
    assert got[["lowest_limit", "highest_limit", "over", "sources"]].to_numpy().tolist() == [
        [100, 300, 2, 2],
    ]  # fmt: skip
    assert got["over_sources"].tolist() == ["A; B"]
    toxic = result("Fe", "excessive", high=100.0, toxic_above=140.0, value=150.0)
    assert above_ranges(scored(toxic, two[1], third))["class"].tolist() == ["excessive"]  # one of three
    assert above_ranges(scored(two[0]))[["over", "sources"]].to_numpy().tolist() == [[1, 1]]
    assert above_ranges(scored(ratio("high", "A", 18.0))).empty
    other = scored(two[0], result("K", "low", specimen=2))
    assert above_ranges(other)["nutrient"].tolist() == ["Fe"]


def oxide_rows(n, p, k=(0.0, 1.0), key="A"):
    """P of n samples against 0.25 to 0.5 %, K in range or not."""
    return [
        row for i in range(n)
        for row in (result("P", "high", value=p[i % len(p)], low=0.25, high=0.5, specimen=i, source_key=key),
                    result("K", "high", value=k[1] * 3.0, low=1.8, high=3.0, specimen=i, source_key=key))
    ]  # fmt: skip


def looked_like(rows):
    checks = oxide_checks(scored(*rows))
    return checks[0][1] if checks else 0


def test_oxides_are_told_from_three_samples_or_two_elements():
    # P2O5 is 2.2914 P: 0.8 % as oxide is 0.349 % P, inside; 1.2 % would be 0.524 %, outside
    assert [looked_like(oxide_rows(n, (0.8,))) for n in (1, 2, 3, 4)] == [0, 0, 1, 1]
    assert looked_like(oxide_rows(4, (1.2,))) == 0
    assert looked_like(oxide_rows(4, (0.4,))) == 0
    # K2O is 1.2046 K: 3.3 % is 2.74 % K, so two elements of one sample agree
    assert [looked_like(oxide_rows(n, (0.8,), (0, 1.1))) for n in (1, 4)] == [2, 2]
    # from four fifths of the samples on (table sanity): 4 of 5, not 3 of 4
    assert looked_like(oxide_rows(5, (0.8, 0.8, 0.8, 0.8, 0.4))) == 1
    assert looked_like(oxide_rows(4, (0.8, 0.8, 0.8, 0.4))) == 0
    # above the range of every source, and inside one at least as oxide
    wide = [r | {"low": 0.1, "high": 0.9, "source_key": "B"} for r in oxide_rows(4, (0.8,))]
    assert looked_like([*oxide_rows(4, (0.8,)), *wide]) == 0
    narrow = [r | {"low": 0.5, "high": 0.7, "source_key": "B"} for r in oxide_rows(4, (0.8,))]
    assert looked_like([*oxide_rows(4, (0.8,)), *narrow]) == 1
    for change in ({"censored": "<"}, {"low": NAN}, {"high": NAN}, {"value": NAN}):
        assert looked_like([r | change for r in oxide_rows(4, (0.8,))]) == 0
    fine = oxide_rows(4, (0.8,)) + [r | {"censored": "<", "value": 0.1} for r in oxide_rows(2, (0.4,))]
    assert looked_like(fine) == 1
    (name, n, limit, passed, told), = oxide_checks(scored(*oxide_rows(4, (0.8,))))  # fmt: skip
    assert (name, n, limit, passed) == ("elements that look like oxides", 1, "0 elements", False)
    assert "P (P2O5 is 2.29 times P)" in told


def test_deviations_from_an_optimum(tidy):
    # 100 x value / optimum - 100 (Montanes et al. 1995)
    samples = tidy({"a": {"N": 2.0, "K": 1.5, "Zn": 30.0}, "b": {"N": 4.4}, "c": {"Zn": 20.0}})
    got = dop(samples, {"N": 4.0, "K": 1.0, "B": 20.0})
    table = got.table.set_index(["sample_id", "nutrient"])["index"]
    assert table.to_dict() == pytest.approx({("a", "N"): -50.0, ("a", "K"): 50.0, ("b", "N"): 10.0})
    assert got.totals.set_index("sample_id")["sum_abs_dop"].to_dict() == pytest.approx(
        {"a": 100.0, "b": 10.0}
    )
    assert got.refused["sample_id"].tolist() == ["c"]
    assert got.table["order"].tolist() == [2, 1, 1] or got.table["order"].tolist() == [1, 2, 1]
    assert got.table.columns.tolist() == [
        "specimen", "sample_id", "nutrient", "value", "index", "order", "verdict",
    ]  # fmt: skip
    checks = got.checks.set_index("check")
    assert checks.loc["samples without index", ["value", "passed"]].tolist() == [1, False]
    assert checks.loc["norms from memory", ["value", "passed"]].tolist() == [0, True]
    memory = dop(samples, {"N": 4.0, "K": 1.0}, provenance="from_memory").checks.iloc[0]
    assert (memory["value"], memory["passed"]) == (2, False)
    with pytest.raises(InputError, match="above zero"):
        dop(samples, {"N": -1.0})
    with pytest.raises(dataclasses.FrozenInstanceError):
        got.method = ""


def test_what_is_said_of_a_balance(tidy):
    # KSU_CORN, ear leaf at R1: N 2.75 to 3.5 %
    samples = tidy({"a": {"N": 1.0, "K": 2.0}, "b": {"Zn": 20.0}})
    got = dop(samples, {"N": 3.0, "K": 2.0})
    lines = got.summary().splitlines()
    assert lines[0] == "Deviation from optimum percentage"
    assert lines[1] == "a: order of need N (-66.7) > K (0); ranges: N below every published range"
    assert lines[2] == "Left out, b: no nutrient of the optimum was measured"
    assert got.summary(most=0).splitlines()[1] == "1 more sample in the table"
    fine = dop(tidy({"a": {"N": 3.1}}), {"N": 3.0}).summary().splitlines()[1]
    assert fine == "a: order of need N (3.33); ranges: none short"
    nowhere = dop(tidy({"a": {"N": 3.1}}, crop="grape"), {"N": 3.0}).summary().splitlines()[1]
    assert nowhere == "a: order of need N (3.33); ranges: nothing judged"


RATIO_NORMS = pd.DataFrame(
    {"crop": "corn", "plant_part": "ear leaf", "ratio": ["N/P", "N/K", "K/P", "N/DM", "Mn/Zn"],
     "mean": [10.0, 1.5, 6.7, 3.0, 2.0], "cv_pct": [14.0, 22.0, 20.0, 10.0, 25.0], "source_key": "own",
     "provenance": "own table"}
)  # fmt: skip


def function(r, mean, cv, formula, k):
    """The three functions as the notes of `fertkit.tissue.indices` write them."""
    s = cv * mean / 100
    if formula == "jones":
        return k * (r - mean) / s
    if formula == "elwali_gascho" and abs(r - mean) <= s:
        return 0.0
    return 100 * k / cv * (r / mean - 1) if r >= mean else 100 * k / cv * (1 - mean / r)


@pytest.mark.parametrize("formula", ["beaufils", "jones", "elwali_gascho"])
@pytest.mark.parametrize(("dry_matter", "k"), [(False, 10.0), (True, 5.0)])
def test_indices_are_means_of_signed_functions(tidy, formula, dry_matter, k):
    values = {"a": {"N": 3.3, "P": 0.2, "K": 1.4, "Zn": 20.0}, "b": {"N": 2.2, "P": 0.3}, "c": {"Zn": 20.0},
              "d": {"N": 3.0, "P": 0.29, "K": 2.1}}  # fmt: skip
    got = dris(tidy(values), RATIO_NORMS, formula=formula, dry_matter=dry_matter, k=k)
    for sample, held in values.items():
        parts = held | {"DM": 1.0}
        functions = {}
        for row in RATIO_NORMS.itertuples():
            top, under = row.ratio.split("/")
            if top not in parts or under not in parts or (under == "DM" and not dry_matter):
                continue
            f = function(parts[top] / parts[under], row.mean, row.cv_pct, formula, k)
            functions.setdefault(top, []).append(f)
            functions.setdefault(under, []).append(-f)
        mine = got.table[got.table["sample_id"] == sample].set_index("nutrient")["index"]
        by_hand = {n: float(np.mean(fs)) for n, fs in functions.items()}
        assert mine.to_dict() == pytest.approx(by_hand), sample
        if by_hand:
            total = got.totals.set_index("sample_id").loc[sample]
            sizes = [abs(f) for f in by_hand.values()]
            assert (total["nbi"], total["mean_nbi"]) == (
                pytest.approx(sum(sizes)),
                pytest.approx(np.mean(sizes)),
            )
    assert got.refused["sample_id"].tolist() == ["c"]
    authors = {"beaufils": "Beaufils", "jones": "Jones", "elwali_gascho": "Elwali and Gascho"}
    assert got.method == f"DRIS, function of {authors[formula]}" + (", with dry matter" if dry_matter else "")
    assert got.norms.index.tolist() == list(range(5 if dry_matter else 4))


def test_function_at_its_edges():
    # within one standard deviation of the norm, edges included, Elwali and Gascho's is nothing: 10 +- 1.4
    at = np.array([8.6, 11.4, 8.5, 11.5, 10.0])
    got = dris_function(at, 10.0, 14.0, "elwali_gascho")
    by_hand = [function(r, 10.0, 14.0, "beaufils", 10.0) for r in at]
    assert got.tolist() == pytest.approx([0, 0, by_hand[2], by_hand[3], 0])


PART_NORMS = pd.DataFrame(
    {"crop": "corn", "plant_part": "ear leaf", "component": ["N", "P", "R2"], "clr_mean": [0.2, -2.1, 1.9],
     "clr_sd": [0.1, 0.2, 0.15], "mean_g_kg": NAN, "source_key": "own", "provenance": "own table"}
)  # fmt: skip


def test_log_ratios_against_norms_part_by_part(tidy):
    values = {"a": {"N": 3.0, "P": 0.3}, "b": {"N": 2.0}, "c": {"N": 2.5, "P": 0.2, "Zn": 20.0}}
    got = cnd(tidy(values), PART_NORMS)
    for sample in ("a", "c"):
        parts = [values[sample]["N"], values[sample]["P"]]
        parts.append(100 - sum(parts))
        logs = np.log(parts)
        by_hand = (logs - logs.mean() - PART_NORMS["clr_mean"]) / PART_NORMS["clr_sd"]
        mine = got.table[got.table["sample_id"] == sample].set_index("nutrient")["index"]
        assert mine.to_dict() == pytest.approx(dict(zip(["N", "P", "R"], by_hand, strict=True)))
        assert got.totals.set_index("sample_id").loc[sample, "r2"] == pytest.approx((by_hand**2).sum())
    assert got.refused[["sample_id", "why"]].to_numpy().tolist() == [["b", "P not measured or only a limit"]]
    full = cnd(tidy({"a": {"N": 99.8, "P": 0.2}}), PART_NORMS)
    assert full.refused["why"].tolist() == ["the sum of the parts not measured or only a limit"]
    without = cnd(tidy({"a": {"N": 2.0}}), PART_NORMS)
    assert without.refused["why"].tolist() == ["P not measured or only a limit"]


def test_norms_that_contradict_their_own_means_are_refused():
    # clr of 3, 0.3 and 96.7 %; a gap of 0.1 is taken for rounding (table thresholds)
    logs = np.log([3.0, 0.3, 96.7])
    good = PART_NORMS.assign(clr_mean=logs - logs.mean(), mean_g_kg=[30.0, 3.0, NAN])
    check_norms(good)
    for shift, refused in ((0.099, False), (-0.099, False), (0.101, True), (-0.101, True)):
        moved = good.assign(clr_mean=good["clr_mean"] + [0, shift, 0])
        if refused:
            with pytest.raises(NotEstimable, match="the norms own differ from the log ratios"):
                check_norms(moved)
        else:
            check_norms(moved)
    check_norms(good.iloc[:2])  # without a filling value nothing can be closed
    check_norms(good.assign(clr_mean=9.0, mean_g_kg=NAN))


def orchard(n_high=12, n_low=15):
    rng = np.random.default_rng(3)
    values = {
        f"s{i}": {"N": 3 * math.exp(rng.normal(0, 0.05 if i < n_high else 0.2)),
                  "P": 0.3 * math.exp(rng.normal(0, 0.1 if i < n_high else 0.15)),
                  "K": 2 * math.exp(rng.normal(0, 0.08 if i < n_high else 0.1))}
        for i in range(n_high + n_low)
    }  # fmt: skip
    return values, {name: 150.0 if i < n_high else 149.0 for i, name in enumerate(values)}


def test_ratio_norms_of_a_high_group(tidy):
    values, yields = orchard()
    norms = build_norms(tidy(values), yields, cutoff=150.0, dry_matter=True)
    table = pd.DataFrame(values).T.assign(DM=1.0)
    high = np.array([yields[name] >= 150 for name in table.index])
    names = norms.table["ratio"].tolist()
    assert len(names) == 6
    for a, b in itertools.combinations(table.columns, 2):
        found = {f"{x}/{y}": table[x] / table[y] for x, y in ((a, b), (b, a))}
        row = norms.table[norms.table["ratio"].isin(found)].iloc[0]
        spread = {n: r[~high].var() / r[high].var() for n, r in found.items()}
        assert row["ratio"] == (f"{a}/DM" if b == "DM" else max(spread, key=spread.get))
        r = found[row["ratio"]]
        assert row["mean"] == pytest.approx(r[high].mean())
        assert row["cv_pct"] == pytest.approx(100 * r[high].std() / r[high].mean())
        assert (row["variance_high"], row["variance_low"]) == pytest.approx((r[high].var(), r[~high].var()))
        assert row["p_value"] == pytest.approx(stats.f.sf(spread[row["ratio"]], 14, 11))
    assert norms.table["n"].unique().tolist() == [12]
    assert (norms.n_high, norms.n_low, norms.cutoff) == (12, 15, 150.0)
    assert norms.checks["passed"].all()
    assert (
        not build_norms(tidy(values), yields | {"s0": 1.0, "s1": 1.0, "s2": 1.0}, cutoff=150.0)
        .checks["passed"]
        .all()
    )
    few = {**yields, **dict.fromkeys(("s0", "s1"), 1.0)}
    assert build_norms(tidy(values), few, cutoff=150.0).checks["passed"].all()  # 10 are enough
    with pytest.raises(dataclasses.FrozenInstanceError):
        norms.cutoff = 0.0


def test_log_ratio_norms_of_a_high_group(tidy):
    values, yields = orchard()
    norms = build_norms(tidy(values), yields, cutoff=150.0, method="cnd", nutrients=["N", "K"])
    high = pd.DataFrame(values).T[["N", "K"]].iloc[:12]
    closed = high.assign(R=100 - high.sum(axis=1))
    logs = np.log(closed).sub(np.log(closed).mean(axis=1), axis=0)
    table = norms.table.set_index("component")
    assert table.index.tolist() == ["N", "K", "R"]
    assert table["clr_mean"].to_dict() == pytest.approx(logs.mean().to_dict())
    assert table["clr_sd"].to_dict() == pytest.approx(logs.std().to_dict())
    assert table["mean_g_kg"].tolist() == pytest.approx([*(high.mean() * 10), NAN], nan_ok=True)
    assert norms.critical_r2 == pytest.approx(stats.chi2.isf(15 / 27, 3))


def test_groups_too_small_and_nutrients_not_complete(tidy):
    values, yields = orchard(3, 3)
    build_norms(tidy(values), yields, cutoff=150.0)  # three of each are the fewest
    build_norms(
        tidy(values), dict.fromkeys(values, 200.0), cutoff=150.0, method="cnd"
    )  # no low group is needed
    for change in ({"s0": 1.0}, {"s5": 200.0}):
        with pytest.raises(NotEstimable, match="each group needs 3 or more"):
            build_norms(tidy(values), yields | change, cutoff=150.0)
    gap = {**values, "s1": {"N": 3.0, "P": 0.3}}
    assert {
        r for ratio in build_norms(tidy(gap), yields, cutoff=150.0).table["ratio"] for r in ratio.split("/")
    } == {"N", "P"}
    for asked in (["K"], ["Zz"]):
        with pytest.raises(NotEstimable, match="no nutrient has a plain value"):
            build_norms(tidy(gap), yields, cutoff=150.0, nutrients=asked)
    with pytest.raises(NotEstimable, match="unknown method"):
        build_norms(tidy(values), yields, cutoff=150.0, method="other")
    mixed = pd.concat([tidy({"x": values["s0"]}, plant_part="whole plant").assign(specimen=9), tidy(values)])
    with pytest.raises(InputError, match="mix plant parts"):
        build_norms(mixed, yields | {"x": 1.0}, cutoff=150.0)


@pytest.mark.parametrize("blocked", [True, False])
def test_treatments_as_statsmodels_has_them(tidy, blocked):
    # unbalanced on purpose: two plots were lost; treatments after blocks, sums of squares in that order
    rng = np.random.default_rng(5)
    plots = pd.DataFrame(list(itertools.product("abc", "1234")), columns=["treatment", "block"]).drop([2, 7])
    plots["sample_id"] = [f"p{i}" for i in range(10)]
    plots["y"] = rng.normal(3, 0.2, 10) + plots["treatment"].map({"a": 0, "b": 0.5, "c": 0.9})
    samples = tidy({r.sample_id: {"N": r.y} for r in plots.itertuples()})
    design = plots[["sample_id", "treatment", *(["block"] if blocked else [])]]
    got = compare_treatments(samples, design)
    model = smf.ols("y ~ C(block) + C(treatment)" if blocked else "y ~ C(treatment)", plots).fit()
    table = anova_lm(model).rename({"C(block)": "block", "C(treatment)": "treatment", "Residual": "error"})
    ours = got.anova.set_index("term")
    assert ours.index.tolist() == table.index.tolist()
    for column, name in (("df", "df"), ("sum_sq", "ss"), ("mean_sq", "ms")):
        assert ours[name].to_numpy(float) == pytest.approx(table[column].to_numpy())
    test = got.table.iloc[0]
    assert test["f"] == pytest.approx(table.loc["treatment", "F"])
    assert test["p_value"] == pytest.approx(table.loc["treatment", "PR(>F)"])
    assert (test["treatments"], test["n"], test["error_df"]) == (3, 10, model.df_resid)
    counts = plots["treatment"].value_counts()
    sed = math.sqrt(2 * model.mse_resid * np.mean(1 / counts))
    assert test["sed"] == pytest.approx(sed)
    assert test["lsd"] == pytest.approx(stats.t.ppf(0.975, model.df_resid) * sed)
    means = got.means.set_index("treatment")
    assert means["mean"].to_dict() == pytest.approx(plots.groupby("treatment")["y"].mean().to_dict())
    assert means["n"].to_dict() == counts.to_dict()
    assert got.blocked == blocked
    assert got.checks["passed"].all()
    assert got.summary().startswith("N concentration: a ") == (test["p_value"] < 0.05)
    with pytest.raises(dataclasses.FrozenInstanceError):
        got.blocked = False


def test_treatments_without_error_or_difference(tidy):
    design = pd.DataFrame({"sample_id": list("abcd"), "treatment": ["x", "x", "y", "y"]})
    exact = compare_treatments(
        tidy(dict(zip("abcd", ({"N": v} for v in (2.0, 2.0, 3.0, 3.0)), strict=True))), design
    )
    assert exact.table["f"].tolist() == [np.inf]
    assert exact.table["p_value"].tolist() == [0.0]
    partly = tidy({"a": {"N": 2.0, "K": 1.0}, "b": {"N": 2.1}, "c": {"N": 2.0, "K": 2.0}, "d": {"N": 2.1}})
    got = compare_treatments(partly, design)
    assert got.table["nutrient"].tolist() == ["N"]  # K has no replicate left
    assert got.summary() == "no difference shown: N concentration"
    with pytest.raises(NotEstimable):  # one treatment alone
        compare_treatments(partly, design.assign(treatment="x"))
    twice = pd.concat([design, design.iloc[[0]]])
    with pytest.raises(InputError, match="twice in the design"):
        compare_treatments(partly, twice)
    both = compare_treatments(
        tidy({n: {"N": v, "Zn": 10 * v} for n, v in zip("abcd", (2.0, 2.1, 3.0, 3.2), strict=True)}),
        design.assign(biomass_kg_ha=[1000.0, 1000.0, 2000.0, 2000.0]),
    )
    means = both.means.set_index(["measure", "nutrient", "treatment"])["mean"]
    assert means["uptake", "N", "y"] == pytest.approx(62.0)  # 3.1 % of 2000 kg
    assert means["uptake", "Zn", "y"] == pytest.approx(62.0)  # 31 mg/kg of 2000 kg, in g
    units = both.table.set_index(["measure", "nutrient"])["unit"].to_dict()
    assert units == {
        ("concentration", "N"): "%", ("concentration", "Zn"): "mg/kg", ("uptake", "N"): "kg/ha",
        ("uptake", "Zn"): "g/ha",
    }  # fmt: skip
    assert not both.checks["passed"].all()
