"""Balance indices against worked examples.

Formula sources and norms stand beside each test. "Constructed" marks examples whose inputs are remembered or
made up: they check the arithmetic, never a crop.
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import InputError, NotEstimable
from fertkit.reference import load_table
from fertkit.tissue import build_norms, cnd, dop, dris
from fertkit.tissue.indices import (
    FORMULAS,
    close_parts,
    clr,
    critical_r2,
    dris_function,
)

# Norm means of the corn N, P, K chart (Sumner 1977-1979; from memory). The CVs 14, 22, 22 % are remembered
# with low confidence and are not shipped: they serve here as constructed check values only.
CORN = pd.DataFrame(
    {
        "crop": "corn", "plant_part": "ear leaf", "ratio": ["N/P", "N/K", "K/P"], "mean": [10.04, 1.49, 6.74],
        "cv_pct": [14.0, 22.0, 22.0], "source_key": "SUMNER_CORN", "provenance": "from_memory",
    }
)  # fmt: skip
D1 = {"N": 3.30, "P": 0.20, "K": 1.40}
D2 = {"N": 2.20, "P": 0.30, "K": 2.00}
# Constructed: sample, formula -> indices of N, P, K and their absolute sum.
INDICES = [
    (D1, "beaufils", (36.206, -23.856, -12.350), 72.412),
    (D1, "jones", (36.206, -23.856, -12.350), 72.412),
    (D1, "elwali_gascho", (36.206, -22.980, -13.227), 72.412),
    (D2, "beaufils", (-21.240, 13.432, 7.808), 42.479),
    (D2, "jones", (-15.577, 9.875, 5.701), 31.154),
    (D2, "elwali_gascho", (-21.240, 13.182, 8.058), 42.479),
]


@pytest.mark.parametrize(("sample", "formula", "indices", "nbi"), INDICES)
def test_dris_constructed_examples(tidy, sample, formula, indices, nbi):
    result = dris(tidy({"a": sample}), CORN, formula=formula)
    found = result.table.set_index("nutrient")["index"]
    assert found[["N", "P", "K"]].tolist() == pytest.approx(indices, abs=6e-4)
    assert result.totals["nbi"].item() == pytest.approx(nbi, abs=1.2e-3)
    assert result.totals["mean_nbi"].item() == pytest.approx(nbi / 3, abs=1e-3)


# Constructed: functions of N/P, N/K and K/P of the two samples above in each variant.
FUNCTIONS = [
    (D1, "beaufils", (45.959, 26.453, 1.753)),
    (D1, "jones", (45.959, 26.453, 1.753)),
    (D1, "elwali_gascho", (45.959, 26.453, 0)),
    (D2, "beaufils", (-26.364, -16.116, -0.500)),
    (D2, "jones", (-19.256, -11.897, -0.495)),
    (D2, "elwali_gascho", (-26.364, -16.116, 0)),
]


@pytest.mark.parametrize(("sample", "formula", "functions"), FUNCTIONS)
def test_dris_functions_of_the_constructed_examples(sample, formula, functions):
    ratio = [sample["N"] / sample["P"], sample["N"] / sample["K"], sample["K"] / sample["P"]]
    found = dris_function(np.array(ratio), CORN["mean"].to_numpy(), CORN["cv_pct"].to_numpy(), formula)
    assert found == pytest.approx(functions, abs=6e-4)


def test_dris_order_of_need_d1(tidy):
    table = dris(tidy({"a": D1}), CORN).table
    assert table.sort_values("order")["nutrient"].tolist() == ["P", "K", "N"]


def test_dris_at_the_norm_d3(tidy):
    found = dris(tidy({"a": {"N": 3.012, "P": 0.300, "K": 2.021477}}), CORN).table
    assert (found["index"].abs() < 0.01).all()


def test_dris_puts_the_sufficiency_verdict_beside_the_order(tidy):
    # Soltanpour et al. 1995: for corn the sufficiency range was judged superior to DRIS.
    result = dris(tidy({"a": D1}), CORN)
    assert result.table.set_index("nutrient").loc["N", "verdict"] == "not below any published range"
    assert "SOLTANPOUR1995" in result.summary()
    assert "from memory" in result.summary()


def test_dris_without_cv_refuses_and_says_what_is_missing(tidy):
    with pytest.raises(NotEstimable, match=r"N/P, N/K, K/P.*coefficients of variation"):
        dris(tidy({"a": D1}))


def test_dris_without_norms_lists_those_there_are(tidy):
    with pytest.raises(NotEstimable, match="corn ear leaf"):
        dris(tidy({"a": D1}, crop="wheat", plant_part="flag leaf"))


def test_dris_drops_a_censored_nutrient(tidy):
    samples = tidy({"a": D1})
    samples.loc[samples["nutrient"] == "P", "censored"] = "<"
    found = dris(samples, CORN).table
    assert set(found["nutrient"]) == {"N", "K"}


def test_dris_dry_matter_index_takes_part(tidy):
    norms = pd.concat([CORN, CORN.head(1).assign(ratio="N/DM", mean=3.0, cv_pct=10.0)], ignore_index=True)
    with_dm = dris(tidy({"a": D1}), norms, dry_matter=True).table.set_index("nutrient")["index"]
    # f(N/DM) = 1000/10 (3.3/3 - 1) = 10, so I_N = (45.959 + 26.453 + 10)/3 and I_DM = -10 (constructed).
    assert with_dm["N"] == pytest.approx((45.959 + 26.453 + 10) / 3, abs=1e-3)
    assert with_dm["DM"] == pytest.approx(-10)
    without = dris(tidy({"a": D1}), norms).table
    assert "DM" not in set(without["nutrient"])


CONCENTRATION = st.floats(0.05, 8)


@settings(max_examples=40, deadline=None)
@given(
    n=CONCENTRATION,
    p=CONCENTRATION,
    k=CONCENTRATION,
    scale=st.floats(0.1, 1.5),
    formula=st.sampled_from(FORMULAS),
)
def test_dris_invariants(n, p, k, scale, formula):
    m, cv = CORN["mean"].to_numpy(), CORN["cv_pct"].to_numpy()

    def functions(n, p, k):
        return dris_function(np.array([n / p, n / k, k / p]), m, cv, formula)

    f = functions(n, p, k)
    index = np.array([(f[0] + f[1]) / 2, (-f[0] - f[2]) / 2, (f[2] - f[1]) / 2])
    assert index.sum() == pytest.approx(0, abs=1e-9 * max(1, np.abs(index).max()))
    assert functions(n * scale, p * scale, k * scale) == pytest.approx(f, rel=1e-6, abs=1e-6)


@given(over=st.floats(1, 5))
def test_beaufils_and_jones_agree_above_the_norm(over):
    # Maia, critical analysis of the original Beaufils formula: they differ below the norm only.
    assert dris_function(over * 1.49, 1.49, 22, "jones") == pytest.approx(
        dris_function(over * 1.49, 1.49, 22)
    )


# Reference for grape leaves printed in the abstract on deviation from optimum percentage in Iranian vineyards
# (GRAPE_DOP); the sample is made up. The formula is published (Montanes et al. 1995).
GRAPE = dict(N=5.05, P=0.70, K=1.42, Ca=1.70, Mg=0.40, Fe=206.5, Mn=110.3, Zn=61.5, Cu=14.6, B=33.9)
SAMPLE = [4.54, 0.56, 0.71, 2.04, 0.40, 103.25, 55.15, 46.0, 7.3, 30.5]
DOP = [-10.10, -20.00, -50.00, 20.00, 0.00, -50.00, -50.00, -25.20, -50.00, -10.03]


def test_dop_published_reference(tidy):
    result = dop(tidy({"a": dict(zip(GRAPE, SAMPLE, strict=True))}, crop="grape", plant_part="leaf"), GRAPE)
    found = result.table.set_index("nutrient")["index"]
    assert found[list(GRAPE)].tolist() == pytest.approx(DOP, abs=5e-3)
    assert result.totals["sum_abs_dop"].item() == pytest.approx(285.33, abs=5e-3)
    assert (
        result.table.set_index("nutrient").loc[["K", "Fe", "Mn", "Cu"], "order"] == 1
    ).all()  # ties share a place
    assert result.table.set_index("nutrient").loc["Zn", "order"] == 5


def test_dop_refuses_an_optimum_of_zero(tidy):
    with pytest.raises(InputError, match="above zero"):
        dop(tidy({"a": D1}), {"N": 0})


def test_cnd_published_round_trip_cowpea():
    # Garcia-Hernandez et al. 2005: mean concentrations [g/kg] and printed V*, which is a mean of log ratios.
    ours = clr(close_parts(np.array([26.2, 2.5, 22.9, 21.6, 4.0]) / 10))
    assert ours == pytest.approx([0.1658, -2.1836, 0.0312, -0.0272, -1.7136, 3.7275], abs=6e-5)
    assert ours == pytest.approx([0.174, -2.172, -0.007, -0.022, -1.710, 3.728], abs=0.04)


def test_cnd_published_norms_made_up_sample(tidy):
    # Garcia-Hernandez et al. 2005 norms; the sample is made up.
    sample = {"N": 2.20, "P": 0.25, "K": 1.40, "Ca": 2.40, "Mg": 0.45}
    result = cnd(tidy({"a": sample}, crop="cowpea", plant_part="leaf"), source="GARCIA2005")
    found = result.table.set_index("nutrient")["index"]
    expected = {"N": -1.166, "P": 0.258, "K": -1.430, "Ca": 1.180, "Mg": 1.411, "R": 0.983}
    assert found.to_dict() == pytest.approx(expected, abs=1e-3)
    assert result.totals["r2"].item() == pytest.approx(7.820, abs=5e-3)
    assert result.table.sort_values("order")["nutrient"].tolist() == ["K", "N", "P", "R", "Ca", "Mg"]


def test_cnd_norms_with_a_unit_slip_are_refused(tidy):
    # Xu et al. 2015 printed R5 = 45.44, 100 minus a sum in g/kg: the right filling value misses their V*.
    apple = {"N": 2.7, "P": 0.23, "K": 0.9, "Ca": 1.3, "Mg": 0.37}
    with pytest.raises(NotEstimable, match="XU2015"):
        cnd(tidy({"a": apple}, crop="apple", plant_part="leaf"))
    printed = [27.23, 2.26, 8.63, 12.73, 3.71]
    slipped = clr(np.append(printed, 100 - np.sum(printed)))
    assert slipped == pytest.approx([0.9799, -1.5090, -0.1691, 0.2196, -1.0134, 1.4920], abs=6e-5)
    right = clr(np.append(printed, 1000 - np.sum(printed)))
    assert right == pytest.approx([0.4741, -2.0149, -0.6750, -0.2863, -1.5192, 4.0214], abs=6e-5)


def test_cnd_refuses_a_sample_without_all_parts(tidy):
    samples = tidy({"a": {"N": 2.2, "P": 0.25, "K": 1.4, "Ca": 2.4}}, crop="cowpea", plant_part="leaf")
    result = cnd(samples)
    assert result.table.empty
    assert "Mg not measured" in result.refused["why"].item()


PARTS = st.lists(st.floats(0.01, 6), min_size=3, max_size=6)


@given(parts=PARTS)
def test_log_ratios_keep_their_laws(parts):
    closed = close_parts(np.array(parts))
    v = clr(closed)
    assert v.sum() == pytest.approx(0, abs=1e-9)
    assert clr(closed * 7.3) == pytest.approx(v, abs=1e-9)  # a common scale cancels


def _made_orchard(tidy, n=60):
    rng = np.random.default_rng(7)
    ids = [f"s{i}" for i in range(n)]
    spread = np.where(np.arange(n) % 2, 0.05, 0.25)  # every other sample is even and yields well
    middle = {"N": 3.0, "P": 0.3, "K": 2.0}
    values = {
        name: {nutrient: m * np.exp(rng.normal(0, s)) for nutrient, m in middle.items()}
        for name, s in zip(ids, spread, strict=True)
    }
    return tidy(values), {name: 200.0 if s < 0.1 else 120.0 for name, s in zip(ids, spread, strict=True)}


def test_own_dris_norms_are_the_moments_of_the_high_group(tidy):
    samples, yields = _made_orchard(tidy)
    norms = build_norms(samples, yields, cutoff=150)
    high = samples[samples["sample_id"].map(yields) >= 150].pivot_table(
        index="sample_id", columns="nutrient", values="value"
    )
    low = samples[samples["sample_id"].map(yields) < 150].pivot_table(
        index="sample_id", columns="nutrient", values="value"
    )
    for r in norms.table.itertuples():
        a, b = r.ratio.split("/")
        ratio, other = high[a] / high[b], low[a] / low[b]
        assert r.mean == pytest.approx(ratio.mean())
        assert r.cv_pct == pytest.approx(100 * ratio.std() / ratio.mean())
        assert r.variance_ratio == pytest.approx(other.var() / ratio.var())
        inverse = (low[b] / low[a]).var() / (high[b] / high[a]).var()
        assert r.variance_ratio >= inverse
        assert r.p_value < 0.01
    assert len(dris(samples, norms.table).refused) == 0


def test_own_cnd_norms_judge_their_own_group_mildly(tidy):
    samples, yields = _made_orchard(tidy)
    norms = build_norms(samples, yields, cutoff=150, method="cnd")
    totals = cnd(samples, norms.table).totals.set_index("sample_id")["r2"]
    high = totals.index.map(yields) >= 150
    # Sum over the high group of each squared index is n - 1 by the definition of the standard deviation.
    assert totals[high].sum() == pytest.approx(4 * (high.sum() - 1))
    assert totals[~high].mean() > 5 * totals[high].mean()


def test_critical_distance_khiari_2001():
    # Khiari et al. 2001, sweet corn, N, P and filling value: critical r2 printed as 1.5 at 67.5 % low yields.
    assert round(critical_r2(0.675, 3), 1) == 1.5


def test_own_cnd_norms_tell_their_critical_distance(tidy):
    norms = build_norms(*_made_orchard(tidy), cutoff=150, method="cnd")
    # Half yield low, four parts: the median of a chi-square with 4 degrees of freedom, 3.357 in tables.
    assert norms.critical_r2 == pytest.approx(3.357, abs=5e-4)
    assert "r2 above 3.36" in norms.summary()
    assert norms.sources["source_key"].tolist() == ["KHIARI2001"]
    assert np.isnan(build_norms(*_made_orchard(tidy), cutoff=150).critical_r2)


def test_norms_need_yields_and_two_groups(tidy):
    samples, yields = _made_orchard(tidy)
    with pytest.raises(InputError, match="s0 has no yield"):
        build_norms(samples, {k: v for k, v in yields.items() if k != "s0"}, cutoff=150)
    with pytest.raises(NotEstimable, match="3 or more"):
        build_norms(samples, yields, cutoff=500)


def test_shipped_corn_norms_hold_no_cv():
    assert load_table("dris_norms", crop="corn")["cv_pct"].isna().all()


def test_a_mixed_file_is_scored_by_the_norms_of_its_crop(tidy):
    # The worked example D1 beside a wheat sample, for which these norms say nothing.
    wheat = tidy({"w": D1}, crop="wheat", plant_part="flag leaf").assign(specimen=2)
    result = dris(pd.concat([tidy({"a": D1}), wheat]), CORN)
    assert result.totals["sample_id"].tolist() == ["a"]
    assert result.totals["nbi"].item() == pytest.approx(72.412, abs=1.2e-3)
    assert result.refused[["sample_id", "why"]].to_numpy().tolist() == [
        ["w", "no DRIS norms for wheat flag leaf"]
    ]
    leaves = {"N": 2.20, "P": 0.25, "K": 1.40, "Ca": 2.40, "Mg": 0.45}
    cowpea = tidy({"c": leaves}, crop="cowpea", plant_part="leaf").assign(specimen=3)
    found = cnd(pd.concat([wheat, cowpea]))
    assert found.totals["r2"].item() == pytest.approx(7.820, abs=5e-3)  # as in the published example
    assert found.refused["why"].tolist() == ["no CND norms for wheat flag leaf"]


def test_norms_of_two_crops_each_judge_their_own(tidy):
    both = pd.concat([CORN, CORN.assign(crop="wheat", plant_part="flag leaf", mean=CORN["mean"] * 2)])
    wheat = tidy({"w": D1}, crop="wheat", plant_part="flag leaf").assign(specimen=2)
    table = dris(pd.concat([tidy({"a": D1}), wheat]), both).table.set_index(["sample_id", "nutrient"])[
        "index"
    ]
    assert table.loc[("a", "N")] == pytest.approx(36.206, abs=6e-4)
    # constructed: N/P 16.5 against 20.08 at 14 %, N/K 2.357 against 2.98 at 22 %
    f = [1000 / 14 * (1 - 20.08 / 16.5), 1000 / 22 * (1 - 2.98 / (3.3 / 1.4))]
    assert table.loc[("w", "N")] == pytest.approx(sum(f) / 2)


def test_norms_written_to_a_file_judge_as_they_did(tidy, tmp_path):
    samples, yields = _made_orchard(tidy)
    for method, judge in (("dris", dris), ("cnd", cnd)):
        norms = build_norms(samples, yields, cutoff=150, method=method)
        norms.table.to_csv(tmp_path / "norms.csv", index=False)
        told, kept = judge(samples, tmp_path / "norms.csv").table, judge(samples, norms.table).table
        assert told["index"].tolist() == pytest.approx(kept["index"].tolist())
