"""Critical levels from relative yields: the cotton K data of Cate & Nelson (1971) SSSA Proc. 35:658-660.

Expected numbers were computed outside the project in R on the data as tabled there (the data collection
warns that the paper's figure and its Table 1 do not match its Table 2).
"""

import numpy as np
import pytest

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.response.critical_level import arcsine_log, cate_nelson, curve_level


@pytest.fixture(scope="module")
def cotton(outside):
    data = outside("cate_nelson_cotton_k.csv")
    return data["soil_k_ppm"], data["rel_yield_pct"]


def test_cate_nelson(cotton):
    result = cate_nelson(*cotton)
    splits = result.table.set_index(["below", "above"])
    assert result.value == 46.5
    assert result.r2 == pytest.approx(0.70665, abs=5e-6)
    best = splits.loc[(44, 49)]
    assert best["ss_below"] == pytest.approx(909.619, abs=5e-4)
    assert best["ss_above"] == pytest.approx(1321.329, abs=5e-4)
    for pair, r2 in (((40, 44), 0.59489), ((49, 56), 0.58967), ((34, 35), 0.44718)):
        assert splits.loc[pair, "r2"] == pytest.approx(r2, abs=5e-6)
    assert result.line["relative_yield_pct"].tolist() == pytest.approx([62.3625, 62.3625, 94.10625, 94.10625])
    assert "62.4 % below and 94.1 % above" in result.summary()


def test_cate_nelson_resampled(cotton):
    result = cate_nelson(*cotton, rng=np.random.default_rng(4))
    assert result.low <= 46.5 <= result.high
    assert result.low > cotton[0].min()
    assert "95% interval" in result.summary()


@pytest.mark.parametrize(("target", "value"), [(80, 54.0831), (85, 63.6921), (90, 76.8918), (95, 97.6166)])
def test_arcsine_log(cotton, target, value):
    result = arcsine_log(*cotton, target_pct=target)
    assert result.value == pytest.approx(value, abs=5e-5)
    assert result.remarks == ("3 relative yields above 100 % were capped.",)


def test_arcsine_log_estimates(cotton):
    estimates = arcsine_log(*cotton).table.set_index("estimate")["value"]
    assert estimates["correlation"] == pytest.approx(0.727764392, abs=1e-9)
    assert estimates["ols_slope"] == pytest.approx(1.80471094, abs=1e-8)
    assert estimates["slope"] == pytest.approx(2.47980109, abs=1e-8)
    assert estimates["intercept"] == pytest.approx(4.34239861, abs=1e-8)


def test_arcsine_log_interval(cotton):
    result = arcsine_log(*cotton, rng=np.random.default_rng(4))
    assert result.low < result.value < result.high
    assert set(result.sources["source_key"]) == {"DYSON2013", "ROHAN2025"}


def test_curves(cotton):
    line = curve_level(*cotton, "linear_plateau")
    assert tuple(line.line["test"].iloc[[0, -1]]) == (min(cotton[0]), max(cotton[0]))  # all that was tested
    assert line.value == pytest.approx(56.0, abs=1e-6)
    assert (line.low, line.high) == (pytest.approx(46.12, abs=0.01), pytest.approx(94.53, abs=0.01))
    bent = curve_level(*cotton, "quadratic_plateau")
    assert bent.value == pytest.approx(86.198, abs=1e-3)
    assert (bent.low, bent.high) == (pytest.approx(53.6, abs=0.05), pytest.approx(140.9, abs=0.05))
    rise = curve_level(*cotton, "mitscherlich")
    assert rise.value == pytest.approx(58.915, abs=1e-3)
    assert rise.target_pct == 90


def test_order_of_sites_does_not_matter(cotton):
    mixed = np.random.default_rng(0).permutation(len(cotton[0]))
    shuffled = [np.asarray(c)[mixed] for c in cotton]
    for method in (cate_nelson, arcsine_log, curve_level):
        assert method(*shuffled).value == pytest.approx(method(*cotton).value)


def test_level_scales_with_the_unit_of_the_test(cotton):
    for method in (cate_nelson, arcsine_log, curve_level):
        assert method(cotton[0] * 2.5, cotton[1]).value == pytest.approx(2.5 * method(*cotton).value)


def test_bad_sites_are_named(cotton):
    test, yields = cotton[0].astype(object), cotton[1].astype(object)
    test[2], yields[5] = "trace", -4
    with pytest.raises(InputError) as caught:
        cate_nelson(test, yields)
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, "test"), (6, "relative yield")]
    with pytest.raises(NotEstimable, match="each site needs"):
        cate_nelson([1, 2, 3], [50, 60])
    with pytest.raises(NotEstimable, match="at least 4"):
        cate_nelson([1, 2, 3], [50, 60, 70])


def test_no_level_where_there_is_none(cotton):
    with pytest.raises(NotEstimable, match="no split"):
        cate_nelson([5, 5, 5, 5, 5], [50, 60, 70, 80, 90])
    falling = -cotton[1] + 110
    with pytest.raises(NotEstimable, match="does not rise"):
        arcsine_log(cotton[0], falling)
    with pytest.raises(NotEstimable, match="does not rise"):
        curve_level(cotton[0], falling)
    with pytest.raises(NotEstimable, match="logarithms"):
        arcsine_log([0, 1, 2, 3], [50, 60, 70, 80])
    with pytest.raises(NotEstimable, match="between 0 and 100"):
        arcsine_log(*cotton, target_pct=100)
    with pytest.raises(LookupFailed, match="plateau"):
        curve_level(*cotton, "quadratic")
    assert cate_nelson([1, 2, 3, 4], [80, 80, 80, 80]).r2 == 0
