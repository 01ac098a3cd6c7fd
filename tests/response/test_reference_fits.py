"""Every fit of every outside data set against R (nls with profiling) and scipy; NIST certified values.

response_reference_fits.csv prints nine significant digits, so half a unit of the ninth is allowed on top of
each tolerance.
"""

import numpy as np
import pandas as pd
import pytest

from fertkit.response import fit_response
from fertkit.response.compare import aicc

RSS, PARAM, SE, NINTH = 1e-9, 1e-6, 1e-4, 5e-9
KEYS = {"MEAN": "mean", "LIN": "linear", "QUAD": "quadratic", "SQRT": "square_root", "LP": "linear_plateau",
        "QP": "quadratic_plateau", "MIT": "mitscherlich", "SPH": "spherical"}  # fmt: skip
OPEN = ("join_not_identified", "step_limit", "linear_limit")  # parameters not identified, as flagged in R

REFERENCE = pd.read_csv(
    __file__.replace("response/test_reference_fits.py", "reference/response/response_reference_fits.csv")
)
SUBSETS = list(REFERENCE.groupby(["dataset", "subset"]).groups)


@pytest.mark.parametrize(("dataset", "subset"), SUBSETS)
def test_fit_is_the_global_minimum(outside_trial, dataset, subset):
    data = outside_trial(dataset, subset)
    rows = REFERENCE[(REFERENCE["dataset"] == dataset) & (REFERENCE["subset"] == subset)]
    assert len(rows) == 8
    for row in rows.itertuples():
        fit = fit_response(data, KEYS[row.model])
        best = min(row.rss_R, row.rss_py)
        assert fit.n == row.n
        assert fit.rss <= best * (1 + RSS + NINTH), row.model
        if any(flag in str(row.flags) for flag in OPEN):
            continue
        expected = [row.p1_R, row.p2_R, row.p3_R][: fit.curve.n_params]
        np.testing.assert_allclose(fit.coef, expected, rtol=PARAM, err_msg=row.model)
        errors = np.array([row.se1_R, row.se2_R, row.se3_R][: fit.curve.n_params])
        known = ~np.isnan(errors)
        np.testing.assert_allclose(
            fit.params["se"].to_numpy()[known], errors[known], rtol=SE, err_msg=row.model
        )
        if row.model != "MEAN":
            assert fit.r2 == pytest.approx(row.r2, abs=1e-8)
        if fit.n > fit.curve.n_params + 2:
            assert aicc(fit.rss, fit.n, fit.curve.n_params) == pytest.approx(row.aicc, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "rss", "params", "errors", "sd"),
    [
        # NIST StRD nonlinear, certified: https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml
        ("nist_misra1a.csv", 1.2455138894e-1, (2.3894212918e2, 5.5015643181e-4),
         (2.7070075241, 7.2668688436e-6), 1.0187876330e-1),
        ("nist_boxbod.csv", 1.1680088766e3, (2.1380940889e2, 5.4723748542e-1),
         (1.2354515176e1, 1.0455993237e-1), 1.7088072423e1),
    ],
)  # fmt: skip
def test_nist_certified(outside, make_trial, name, rss, params, errors, sd):
    data = outside(name)
    fit = fit_response(make_trial(data["x"], data["y"], through_origin=True), "mitscherlich")
    nine = 1e-9
    assert fit.rss == pytest.approx(rss, rel=nine)
    a, b, k = fit.coef
    assert a == b  # through the origin
    np.testing.assert_allclose([a, k], params, rtol=nine)
    np.testing.assert_allclose(fit.params["se"].to_numpy()[[0, 2]], errors, rtol=nine)
    assert fit.sigma == pytest.approx(sd, rel=nine)


def test_sas_segmented_example(outside_trial):
    """SAS/STAT User's Guide, NLIN Example 1: plateau and join as printed, the rest from R."""
    fit = fit_response(outside_trial("sas_nlin_quadplateau.csv"), "quadratic_plateau")
    assert float(fit.curve.join(fit.coef)) == pytest.approx(12.7477, abs=5e-5)
    assert float(fit.curve.plateau(fit.coef)) == pytest.approx(0.7775, abs=5e-5)
    covariance = [
        [7.11510e-4, -2.02665e-4, 1.194758e-5],
        [-2.02665e-4, 7.094764e-5, -4.545302e-6],
        [1.194758e-5, -4.545302e-6, 3.039513e-7],
    ]
    np.testing.assert_allclose(fit.covariance, covariance, rtol=2e-5)
    assert (0.17687776 / 2) / (fit.rss / fit.df_error) == pytest.approx(114.21682, rel=1e-6)


@pytest.mark.parametrize(
    ("name", "subset", "join", "rss", "wrong_join"),
    [
        ("sas_nlin_quadplateau.csv", "all", 8.009511, 0.01177798, 9.16883),
        ("bachmaier_wheat_n.csv", "zone=low", 127.239, 26.83735, 148.708),
        ("bachmaier_wheat_n.csv", "zone=high", 186.333, 16.07219, 179.229),
    ],
)
def test_join_where_a_solver_from_one_start_stops_at_a_wrong_one(
    outside_trial, name, subset, join, rss, wrong_join
):
    fit = fit_response(outside_trial(name, subset), "linear_plateau")
    assert fit.coef[2] == pytest.approx(join, rel=1e-5)
    assert fit.rss == pytest.approx(rss, rel=1e-6)
    assert abs(fit.coef[2] - wrong_join) > 1


def test_engelstad_by_hand(outside_trial):
    """Engelstad & Parks 1971, Jackson 1963: two straight pieces can be worked on paper."""
    fit = fit_response(outside_trial("engelstad_corn_n.csv", "Jackson-1963"), "linear_plateau")
    slope = (77.3 - 29.3) / 134
    plateau = (88.0 + 89.4 + 87.0) / 3
    intercept = (29.3 + 55.2 + 77.3) / 3 - 67 * slope
    np.testing.assert_allclose(fit.coef, [intercept, slope, (plateau - intercept) / slope], rtol=1e-12)


def test_heady_square_root_bulletin_form(outside):
    """A square-root curve solves the normal equations of Heady, Pesek & Brown's form in sqrt(x) and x."""
    data = outside("heady_corn_alfalfa_clover_npk.csv").query("crop == 'corn'").dropna(subset=["yield"])
    data = data[data["P"] == 160]
    trial = data.rename(columns={"N": "rate_lb_ac", "yield": "yield_bu_ac"})[["rate_lb_ac", "yield_bu_ac"]]
    fit = fit_response(trial, "square_root")
    x, y = trial["rate_lb_ac"].to_numpy(float), trial["yield_bu_ac"].to_numpy(float)
    solved = np.linalg.lstsq(np.column_stack([np.ones_like(x), np.sqrt(x), x]), y, rcond=None)[0]
    np.testing.assert_allclose(fit.coef, solved, rtol=1e-9)
