"""Letters and the one rule behind them, and treatments held against the check with a margin.

"R": tests/reference/r/designs.R (stats, emmeans) on Gomez & Gomez's rice and Snedecor's beets.
"""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from fertkit.errors import LookupFailed, NotEstimable
from fertkit.trials import analyse_strips


@pytest.fixture(scope="module")
def beets(outside):
    return outside("snedecor_beets_rcbd.csv").assign(fert=lambda d: d["fert"].fillna("none"))


def test_the_distance_behind_the_letters_is_that_of_their_rule(outside):
    rice = outside("gomez_rice_seedrate_rcbd.csv").rename(
        columns={"seed_kg_ha": "rate_kg_ha", "rep": "block"}
    )
    tukey = analyse_strips(rice)
    assert tukey.apart == pytest.approx((763.882132, 763.882132), abs=1e-3)  # R
    assert "honestly significant difference; means less than 764 apart share one" in tukey.summary()
    plain = analyse_strips(rice, adjust="none")
    assert plain.apart == pytest.approx((501.136, 501.136), abs=5e-4)  # Gomez & Gomez
    assert "Letters: the least significant difference; means less than 501 apart" in plain.summary()
    # F 2.168, p 0.113: the F test protects, though the means run from 4703 to 5304
    guarded = analyse_strips(rice, adjust="protected")
    assert len(set(plain.means["letters"])) > 1
    assert set(guarded.means["letters"]) == {"a"}
    assert guarded.apart == (np.inf, np.inf)
    assert "not significant, so all means share" in guarded.summary()
    assert "no single LSD" in analyse_strips(rice, adjust="holm").summary()


def test_after_a_significant_f_the_protected_letters_are_those_of_the_lsd(beets):
    options = {"treatment": "fert", "response": "yield"}
    guarded, plain = (analyse_strips(beets, adjust=rule, **options) for rule in ("protected", "none"))
    assert guarded.means["letters"].tolist() == plain.means["letters"].tolist()
    assert guarded.apart == pytest.approx((1.03763, 1.03763), abs=5e-6)  # R, the printed LSD


@settings(max_examples=25)
@given(
    st.lists(st.floats(40, 60), min_size=12, max_size=12),
    st.sampled_from(["tukey", "none", "protected"]),
    st.sets(st.integers(0, 11), max_size=2),
)
def test_two_means_share_a_letter_just_where_they_lie_less_than_the_distance_apart(yields, rule, lost):
    table = pd.DataFrame(
        {"block": np.repeat([1, 2, 3], 4), "treatment": [*"ABCD"] * 3, "yield_bu_ac": yields}
    )
    table = table.drop(index=lost)
    found = analyse_strips(table, adjust=rule)
    if not found.variance > 1e-6:
        return
    letters = found.means.set_index("treatment")["letters"]
    near, far = found.apart
    for pair in found.comparisons.itertuples():
        share = bool(set(letters[pair.first]) & set(letters[pair.second]))
        if abs(pair.difference) < near * (1 - 1e-6):
            assert share
        elif abs(pair.difference) > far * (1 + 1e-6):
            assert not share


def test_no_worse_than_the_check(beets):
    found = analyse_strips(beets, treatment="fert", response="yield", check="PKN")
    test = found.no_worse_than(1.5)
    rows = test.table.set_index("treatment").loc[["K", "P", "PK", "PN"]]
    p = [0.9999533543, 0.6682994980, 0.1111071683, 0.0110359007]  # R
    assert rows["p_worse"].tolist() == pytest.approx(p, abs=1e-9)
    assert rows["p_equivalent"].tolist() == pytest.approx(p, abs=1e-9)
    assert rows["verdict"].tolist() == ["worse", "open", "open", "as good"]
    assert rows.loc["PK", ["low", "high"]].tolist() == pytest.approx([-1.73, -0.00433], abs=5e-3)  # R, 90 %
    other = found.no_worse_than(0.6, "PK").table.set_index("treatment").loc["PKN"]
    assert other["p_worse"] == pytest.approx(0.0035758615, abs=1e-9)  # R
    assert other["p_equivalent"] == pytest.approx(0.698229713, abs=1e-9)  # R
    assert other["verdict"] == "no worse"
    said = test.summary()
    assert "PN: as good as PKN within 1.5" in said
    assert "K: more than 1.5 worse" in said
    assert "5%" in said
    assert test.sources["source_key"].tolist() == ["SCHUIRMANN1987"]


def test_a_margin_that_cannot_be_used_is_refused(beets):
    found = analyse_strips(beets, treatment="fert", response="yield")
    with pytest.raises(LookupFailed, match="check treatment"):
        found.no_worse_than(1, "lime")
    with pytest.raises(LookupFailed):
        found.no_worse_than(1)
    one = pd.DataFrame({"treatment": ["a", "b"], "yield_bu_ac": [50.0, 51]})
    with pytest.raises(NotEstimable, match="no error can be estimated"):
        analyse_strips(one, check="a").no_worse_than(2)


@settings(max_examples=20)
@given(st.floats(-8, 8), st.floats(0.5, 4))
def test_a_verdict_is_where_the_interval_lies(shift, margin):
    # the interval at twice the one-sided error decides as the tests do (arithmetic of the t law)
    noise = np.array([0.4, -0.8, 1.1, -0.7, 0.2, -0.2])
    table = pd.DataFrame({"block": [*range(6)] * 2, "treatment": ["a"] * 6 + ["b"] * 6,
                          "yield_bu_ac": [*(50 + noise), *(50 + shift - 2 * noise)]})  # fmt: skip
    row = analyse_strips(table, check="a").no_worse_than(margin).table.iloc[0]
    se = np.std(3 * noise, ddof=1) / 6**0.5
    low, high = (shift - 3 * noise.mean() + k * stats.t.isf(0.05, 5) * se for k in (-1, 1))
    assert (row["low"], row["high"]) == pytest.approx((low, high), abs=1e-9)
    good = {"as good": low > -margin and high < margin, "no worse": low > -margin and high >= margin,
            "worse": high < -margin}  # fmt: skip
    assert row["verdict"] == next((name for name, holds in good.items() if holds), "open")
