"""Curves fitted to the cotton K data of Cate & Nelson (1971) SSSA Proc. 35:658-660, against fits in R."""

import pandas as pd
import pytest

from fertkit.response import fit_response


@pytest.mark.parametrize(
    ("curve", "rss", "parameters"),
    [
        ("linear_plateau", 2410.875, {"x0": (56.0, 1e-6)}),
        # The outside search stopped within 1e-5 of these parameters, at the sums of squares it printed.
        ("quadratic_plateau", 2463.057, {"c": (-0.0110931, 2e-7)}),
        ("mitscherlich", 2472.572, {"A": (96.3819, 1e-4), "B": (143.534, 4e-3), "k": (0.0458428, 1e-6)}),
    ],
)
def test_curves_of_relative_yield(outside, curve, rss, parameters):
    data = outside("cate_nelson_cotton_k.csv")
    assert (len(data), data["rel_yield_pct"].mean()) == (24, pytest.approx(83.525))
    trial = pd.DataFrame({"rate_lb_ac": data["soil_k_ppm"], "yield_bu_ac": data["rel_yield_pct"]})
    fit = fit_response(trial, curve)
    assert fit.rss == pytest.approx(rss, abs=2e-3)
    estimates = fit.table.set_index("param")["estimate"]
    for name, (value, tolerance) in parameters.items():
        assert estimates[name] == pytest.approx(value, abs=tolerance)
    if curve == "quadratic_plateau":
        assert fit.predict([118.0])[0] == pytest.approx(95.2873, abs=5e-5)
