"""Optima of many trials in one call agree with one analysis after another."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import FertkitError, InputError
from fertkit.response import analyse_response, optima_of_trials, survey
from fertkit.response.data import read_trial_data
from fertkit.response.many import read_trials


@pytest.fixture(scope="module")
def broadbalk(outside):
    data = outside("broadbalk_s1_nseries.csv")
    return data.rename(columns={"n_kg_ha": "rate_kg_ha", "grain_t_ha_85dm": "yield_t_ha"}).drop(
        columns="plot"
    )


@pytest.fixture(scope="module")
def found(broadbalk):
    return optima_of_trials(broadbalk, "year", 0.005)


def test_every_trial_as_if_alone(broadbalk, found):
    assert list(found["year"]) == list(range(2001, 2016))
    for row in found.iloc[::3].itertuples():
        one = broadbalk[broadbalk["year"] == row.year].drop(columns="year")
        alone = analyse_response(one, nutrient_price=0.005, grain_price=1.0, replicates=0).optimum
        assert row.status == alone.status
        assert row.optimum == pytest.approx(alone.rate, rel=1e-6)
        ends = [alone.interval.low, alone.interval.high]
        np.testing.assert_allclose([row.low, row.high], ends, rtol=1e-5, atol=1e-5)
        assert row.high_open == alone.interval.high_open


def test_still_rising_year_is_marked_not_extrapolated(found):
    """Broadbalk 2002: the quadratic's formula optimum is -11780 (R)."""
    wet = found.set_index("year").loc[2002]
    assert (wet["status"], wet["optimum"]) == ("at least the highest rate", 288)


def test_weights_of_each_trial_sum_to_one(found):
    np.testing.assert_allclose(found.filter(like="weight_").sum(axis=1), 1)


def test_batches_change_nothing(broadbalk, found, monkeypatch):
    monkeypatch.setattr(survey, "BATCH", 4)
    pd.testing.assert_frame_equal(optima_of_trials(broadbalk, "year", 0.005), found, rtol=1e-6)


def test_all_unusable_trials_are_named_at_once(broadbalk):
    bad = broadbalk.copy()
    bad.loc[bad.index[bad["year"] == 2003][0], "yield_t_ha"] = np.inf
    bad = bad.drop(bad.index[bad["year"] == 2005][2:])
    with pytest.raises(InputError, match="2003") as caught:
        optima_of_trials(bad, "year", 0.005)
    assert len(caught.value.problems) == 2
    assert "2005" in str(caught.value)


def test_a_first_trial_of_one_rate_is_named_too():
    one = pd.DataFrame({"trial": "A", "rate_kg_ha": [50.0] * 4, "yield_t_ha": [5.0, 5.1, 5.2, 5.0]})
    with pytest.raises(InputError, match="trial A"):
        optima_of_trials(one, "trial", 0.005)


def test_two_rates_give_a_difference_in_the_survey(broadbalk, found):
    """The difference of the two rate means by hand; the other years are untouched by the company."""
    data = broadbalk.copy()
    two = (data["year"] == 2003) & data["rate_kg_ha"].isin([0, 144])
    low, high = (data.loc[two & (data["rate_kg_ha"] == r), "yield_t_ha"].mean() for r in (0, 144))
    twice = pd.concat([data[two].assign(yield_t_ha=data.loc[two, "yield_t_ha"] + e) for e in (-0.1, 0.1)])
    mixed = optima_of_trials(pd.concat([data[data["year"] != 2003], twice]), "year", 0.005).set_index("year")
    row = mixed.loc[2003]
    assert (row["status"], row["n_rates"]) == ("difference only", 2)
    assert np.isnan(row["optimum"])
    assert f"{high - low:.2f}" in row["message"]
    assert "not a curve" in row["message"]
    others = found.set_index("year").drop(2003)
    np.testing.assert_allclose(mixed.loc[others.index, "optimum"], others["optimum"], rtol=1e-6)
    alone = optima_of_trials(twice, "year", 0.005)
    assert alone["status"].tolist() == ["difference only"]


def test_a_trial_far_from_zero_goes_on_without_the_curve_that_cannot_be_fitted(broadbalk, found):
    """Yield at rate 0 by Mitscherlich overflows here (invented); alone the trial does without that curve."""
    rate, means = np.tile([2000.0, 2100, 2600, 3100], 3), np.tile([9, 9.8, 9.8, 9.8], 3)
    noise = np.array([0.1, 0, -0.1, 0, 0, 0.1, 0, 0.1, -0.1, -0.1, 0.1, -0.1])
    far = pd.DataFrame({"year": 1, "rate_kg_ha": rate, "yield_t_ha": means + noise})
    mixed = optima_of_trials(pd.concat([broadbalk, far]), "year", 0.005).set_index("year")
    alone = analyse_response(far.drop(columns="year"), nutrient_price=0.005, grain_price=1, replicates=0)
    assert "mitscherlich" not in alone.comparison.averaged_weights
    row, optimum = mixed.loc[1], alone.optimum
    assert (row["optimum"], row["low"], row["status"]) == (optimum.rate, optimum.interval.low, optimum.status)
    for curve, weight in alone.comparison.averaged_weights.items():
        assert row[f"weight_{curve}"] == pytest.approx(weight, rel=1e-9)
    others = found.set_index("year")
    np.testing.assert_allclose(mixed.loc[others.index, "optimum"], others["optimum"], rtol=1e-6)


def test_trials_read_together_are_read_as_alone():
    """Thirteen trials (invented), most with something amiss; the reference is the reader of one trial."""
    rate, block = np.tile([0.0, 40, 80, 120], 3), np.repeat(["1", "2", "3"], 4)
    named = {"rate_lb_ac": rate, "block": block, "site": "A", "crop": "corn", "strip": range(12)}
    noise = np.random.default_rng(1).normal(size=12)
    plain = pd.DataFrame(named | {"yield_bu_ac": 50 + rate / 10 + noise}).astype(object)
    changed = [
        {}, {"block": "1"}, {"block": None}, {"block": [None, *block[1:]]}, {"strip": 1}, {"site": block},
        {"crop": [*["corn"] * 11, "oats"]}, {"rate_lb_ac": rate + np.linspace(0, 1e-11, 12)},
        {"rate_lb_ac": 40.0}, {"rate_lb_ac": -rate}, {"yield_bu_ac": np.nan},
        {"yield_bu_ac": [None, *plain["yield_bu_ac"][1:]]},
    ]  # fmt: skip
    points = pd.concat([plain] * 2, ignore_index=True).assign(strip=range(24))
    trials = [*(plain.assign(**other) for other in changed), points]
    table = pd.concat(trials, ignore_index=True)
    number = np.repeat(range(len(trials)), [len(one) for one in trials])
    among = np.argsort(np.arange(len(table)) % 12, kind="stable")  # rows of a trial lie apart
    table, number = table.iloc[among], number[among]
    together = read_trials(table, number)
    alone = [_read_alone(rows) for _, rows in table.groupby(number)]
    assert [str(one) if isinstance(one, FertkitError) else one for one in together] == alone
    lost = [i for i, one in enumerate(alone) if isinstance(one, str)]
    assert lost == [3, 4, 6, 8, 9, 10]
    pairs = [pair for i, pair in enumerate(zip(together, alone, strict=True)) if i not in lost]
    assert all(one.origin.equals(other.origin) for one, other in pairs)


def _read_alone(rows):
    try:
        return read_trial_data(rows)
    except FertkitError as error:
        return str(error)
