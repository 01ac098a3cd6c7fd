"""Nonlinear mixed models of many sites: against R (nlme 3.1-162), brute-force integrals, and known truths.

Values named R are computed and shown by tests/reference/r/network.R. nlme reports the likelihood of the model
linearised at its predictions (Lindstrom & Bates 1990); `linearised` computes the same by dense matrices, so
that the models are seen to be the same, and the integral itself is then compared at both sets of estimates.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats

from fertkit.errors import InputError, NotEstimable
from fertkit.response import CURVES, Prices, fit_network
from fertkit.response.data import read_trial_data
from fertkit.response.mixed_curve import Effects, SiteData, centred, evaluate
from fertkit.response.mixed_fit import fit_mixed
from fertkit.response.network_rate import network_rate
from fertkit.response.sums import make_sweep, stack

# ---- against R


def asymptotic(x, s):
    decay = np.exp(-np.exp(s[0]) * x)
    return [1 - decay, decay]


def logistic(x, s):
    return [1 / (1 + np.exp(-(x - s[0]) / s[1]))]


def offset(x, s):
    return [1 - np.exp(-np.exp(s[0]) * (x - 50 * s[1]))]


def quadratic_plateau(x, s):
    join = np.exp(s[0])
    u = np.minimum(x, join)
    return [np.ones_like(x), u * (1 - 0.5 * u / join)]


def mitscherlich(x, s):
    return [np.ones_like(x), -np.exp(s[0]) * np.expm1(-x / np.exp(s[0]))]


def plateau(x, s):
    return [np.ones_like(x), -(np.maximum(s[0] - x, 0) ** 2)]


def wheat(table):
    return table["n_kg_ha"] / 100, table["grain_t_ha_85dm"], table["year"]


def pine(table):
    return table["age"].to_numpy(float), table["height"], table["seed"]


def orange(table):
    return table["age"] / 100, table["circumference"], table["tree"]


def uptake(table):
    return table["conc"].to_numpy(float), table["uptake"], table["plant"]


def sites_of(column):
    return lambda table: (table["rate_kg_ha"] / 100, table[f"yield_{column}_t_ha"], table["site"])


def origin(first):
    south, chilled = (first["type"] == "Mississippi") * 1.0, (first["treatment"] == "chilled") * 1.0
    wide = np.column_stack([np.ones(len(first)), south, chilled, south * chilled])
    return wide, wide, np.ones((len(first), 1))


def soil_and_crop(first):
    soil, bean = (first["soil_p_ppm"] - 14) / 10, (first["previous_crop"] == "soybean") * 1.0
    one = np.ones(len(first))
    return np.column_stack([one, soil, bean]), np.column_stack([one, soil]), np.column_stack([one, soil])


# file, columns, reader, designs, random linear effects, random shape, start; R: means, covariance of the
# random effects (upper triangle by columns), sigma, log-likelihood
PINE, TREES, CO2, SITES = "loblolly_height", "draper_smith_orange", "potvin_co2_uptake", "network_sites"
MODELS = {
    "wheat, plateau by year": (  # R: tests/reference/r/pooling.R, whose c is the logarithm
        "broadbalk_s1_nseries", plateau, wheat, None, (0,), None, [2.0],
        [6.281385, np.exp(-0.1675092), 2.431721], [0.851237**2], 0.710253, -131.085891),
    "loblolly": (PINE, asymptotic, pine, None, (0,), None, [-3.0],
                 [101.44960002, -8.62733073, -3.23375074], [13.3271856], 0.718862546, -114.7428159),
    "loblolly, rate too": (PINE, asymptotic, pine, None, (0,), 0, [-3.0],
                           [101.64118112, -8.63957065, -3.23489511], [34.36959562, -0.354703958, 0.005645319],
                           0.638660362, -112.1232515),
    "orange": (TREES, logistic, orange, None, (0,), None, [7.0, 3.5],
               [191.05003747, 7.22559485, 3.4416851], [991.151272], 7.8462546, -131.5845533),
    "orange, middle too": (TREES, logistic, orange, None, (0,), 0, [7.0, 3.5],
                           [189.83835127, 7.09551397, 3.40492755], [1180.112883, 10.15419711, 0.146924401],
                           7.48832518, -130.9015774),
    "CO2": (CO2, offset, uptake, None, (0,), 0, [-4.6, 1.0], [32.4117736, -4.5602682, 49.3434905 / 50],
            [93.30385345, -1.497492952, 0.039805094], 1.80792236, -202.7583243),
    "CO2 by origin and chilling": (
        CO2, offset, uptake, origin, (0,), 0, [-4.6, 1.0],
        [41.817565431, -10.530486936, -2.96941443, -10.899196899, -4.557265, -0.104105913, -0.171242539,
         0.741196892, 50.507614442 / 50], [5.520998619, -0.172001151, 0.006336507], 1.79195876, -181.2089746),
    "quadratic-plateau": (
        SITES, quadratic_plateau, sites_of("qp"), None, (0, 1), 0, [0.4],
        [6.198920957, 4.486427837, 0.529832906],
        [1.559509585, -0.150437407, 0.854361548, -0.021758304, 0.059252502, 0.036066096],
        0.356070805, -354.425638),
    "Mitscherlich": (
        SITES, mitscherlich, sites_of("mit"), None, (0, 1), 0, [-0.4],
        [6.297322301, 4.37813179, -0.372297099],
        [1.851331423, -0.975187244, 1.348436597, 0.172373903, -0.03127935, 0.06830332],
        0.34468597, -324.5874666),
    "quadratic-plateau by soil and crop": (
        SITES, quadratic_plateau, sites_of("qp"), soil_and_crop, (0, 1), 0, [0.4],
        [5.718511007, 0.438685236, 1.016195501, 4.420520777, -1.184984307, 0.514634242, -0.170104702],
        [1.394685963, -0.181314257, 0.359607093, 0.006000386, -0.016222497, 0.025977801],
        0.355852166, -331.6883933),
    "Mitscherlich by soil and crop": (
        SITES, mitscherlich, sites_of("mit"), soil_and_crop, (0, 1), 0, [-0.4],
        [5.952972745, 0.447771448, 0.74199268, 4.304752337, -1.607529781, -0.377750403, -0.076759956],
        [1.542509348, -0.672586923, 0.883389076, 0.128968136, -0.159461617, 0.07257186],
        0.343133146, -304.4435813),
}  # fmt: skip


def site_data(x, y, site):
    groups = pd.Series(site).groupby(site, sort=False).indices.values()
    parts = [(np.asarray(x)[rows], np.asarray(y, float)[rows]) for rows in groups]
    return SiteData.of_sums(stack([make_sweep(a).sums(b) for a, b in parts]))


def model_of(name, outside):
    file, columns, reader, designs, linear, shape, start, *_ = MODELS[name]
    table = outside(f"{file}.csv")
    x, y, site = reader(table)
    first = table.groupby(site.name, sort=False).first()
    q = len(start)
    p = len(columns(np.ones(1), start))
    designs = designs(first) if designs else (np.ones((len(first), 1)),) * (p + q)
    return (x, y, site), Effects(columns, designs, q, linear, shape), start


def theta_of(effects, means, spread, sigma):
    """Our parameters of R's estimates."""
    size = len(effects.linear) + (effects.shape is not None)
    full = np.zeros((size, size))
    full[np.triu_indices(size)] = 0
    upper = [(i, j) for j in range(size) for i in range(j + 1)]
    for (i, j), value in zip(upper, spread, strict=True):
        full[i, j] = full[j, i] = value
    r = len(effects.linear)
    rest, tail = full[:r, :r], []
    if effects.shape is not None:
        tau = np.sqrt(full[r, r])
        joint = full[:r, r] / tau
        rest, tail = rest - np.outer(joint, joint), [*joint, tau]
    factor = np.linalg.cholesky(rest) / sigma
    return np.array([*means, *(factor[i, j] for i, j in effects.places), *tail, np.log(sigma)]), full


def linearised(frame, effects, theta, full, sigma):
    """Likelihood of the model linearised at the sites' own best effects, by dense matrices."""
    x, y, site = frame
    means, total = effects.split(theta)[0], 0.0
    p = effects.n_linear
    places = [*effects.linear, *([p + effects.shape] if effects.shape is not None else [])]
    whiten = np.linalg.inv(np.linalg.cholesky(full))
    for i, rows in enumerate(pd.Series(site).groupby(site, sort=False).indices.values()):
        xi, yi = np.asarray(x, float)[rows], np.asarray(y, float)[rows]

        def curve(b, i=i, xi=xi):
            own = means[i].copy()
            own[places] += b
            return sum(c * m for c, m in zip(effects.columns(xi, own[p:]), own[:p], strict=True))

        def cost(u, yi=yi, curve=curve):
            return np.r_[(yi - curve(np.linalg.solve(whiten, u))) / sigma, u]

        b = np.linalg.solve(
            whiten, optimize.least_squares(cost, np.zeros(len(full)), xtol=1e-12, ftol=1e-12).x
        )
        step = 1e-6 * np.sqrt(np.diag(full))
        z = np.column_stack([(curve(b + d) - curve(b - d)) / (2 * d.sum()) for d in np.diag(step)])
        cov = sigma**2 * np.eye(len(yi)) + z @ full @ z.T
        total += stats.multivariate_normal.logpdf(yi - curve(b) + z @ b, np.zeros(len(yi)), cov)
    return total


@pytest.mark.parametrize("name", MODELS)
def test_same_model_and_a_likelihood_as_high_as_nlmes(name, outside):
    means, spread, sigma, r = MODELS[name][7:]
    frame, effects, start = model_of(name, outside)
    data = site_data(*frame)
    theta, full = theta_of(effects, means, spread, sigma)
    assert linearised(frame, effects, theta, full, sigma) == pytest.approx(r, abs=0.01)
    theirs = evaluate(
        data, effects, theta, centred(data, effects, theta, 41), slopes=False
    ).log_likelihood.sum()
    found = fit_mixed(data, effects, start)
    assert theirs - 1e-3 < found.log_likelihood < theirs + 0.4
    se = np.sqrt(np.diag(found.covariance))[: len(means)]
    assert (np.abs(found.theta[: len(means)] - means) / se).max() < 0.5
    assert found.sigma == pytest.approx(sigma, rel=0.01)


# ---- against the integral and the derivative themselves


def linear_plateau(x, s):
    return [np.ones_like(x), np.minimum(x, np.exp(s[0]))]


@pytest.mark.parametrize("columns", [linear_plateau, mitscherlich])
def test_likelihood_is_the_integral_over_the_shape(columns):
    """Each site: level and slope integrated as a multivariate normal, the shape by the trapezoid rule."""
    rng, x, sites = np.random.default_rng(3), np.tile(np.linspace(0, 2, 6), 2), 3
    y = (
        rng.normal(6, 1, (sites, 1))
        + 4 * np.minimum(x, rng.uniform(0.6, 1.6, (sites, 1)))
        + rng.normal(0, 0.3, (sites, 12))
    )
    data = site_data(np.tile(x, sites), y.ravel(), np.repeat(np.arange(sites), 12))
    effects = Effects(columns, (np.ones((sites, 1)),) * 3)
    theta = np.array([6.0, 4.0, 0.0, 3.0, 0.5, 2.0, 0.2, -0.3, 0.3, np.log(0.3)])
    _, factor, joint, tau, sigma = effects.split(theta)
    z, total = np.linspace(-6, 6, 1201), 0.0
    for yi in y:
        density = []
        for value in z:
            c = np.column_stack(columns(x, [tau * value]))
            cov = sigma**2 * (np.eye(12) + c @ factor @ factor.T @ c.T)
            density.append(stats.multivariate_normal.logpdf(yi, c @ (theta[:2] + joint * value), cov))
        total += np.log(np.trapezoid(np.exp(density) * stats.norm.pdf(z), z))
    found = evaluate(data, effects, theta, centred(data, effects, theta, 31)).log_likelihood.sum()
    assert found == pytest.approx(total, abs=0.03 if columns is linear_plateau else 1e-6)


@pytest.mark.parametrize("correlated", [True, False])
def test_gradient_is_the_slope_of_the_likelihood(correlated):
    rng, x = np.random.default_rng(4), np.tile(np.linspace(0, 2, 5), 6)
    site, block = np.repeat(np.arange(6), 5), np.tile([0, 0, 1, 1, 1], 6)
    y = 6 + 3 * (1 - np.exp(-x)) + rng.normal(0, 0.5, 6)[site] + rng.normal(0, 0.3, 30)
    sums = [make_sweep(x[site == i], block[site == i]).sums(y[site == i]) for i in range(6)]
    data = SiteData.of_sums(stack(sums))  # blocks that hold different rates: weights between the rates
    known = np.column_stack([np.ones(6), np.arange(6.0)])
    effects = Effects(mitscherlich, (known, np.ones((6, 1)), known), correlated=correlated)
    theta = rng.normal(0, 0.2, effects.n_params) + 0.5
    theta[0], theta[-1] = 6.0, np.log(0.3)
    nodes = centred(data, effects, theta, 7)
    slopes = optimize.approx_fprime(
        theta, lambda t: evaluate(data, effects, t, nodes).log_likelihood.sum(), 1e-7
    )
    np.testing.assert_allclose(evaluate(data, effects, theta, nodes).gradient, slopes, rtol=2e-4, atol=1e-3)


def test_blocks_are_swept_out():
    """Likelihood ratio of two sets of parameters: by the yields freed of what distinguishes blocks."""
    rng, x, block = np.random.default_rng(5), np.array([0, 0.5, 1, 0.5, 1, 2.0]), np.array([0, 0, 0, 1, 1, 1])
    y = rng.normal(6, 1, 6)
    data = SiteData.of_sums(make_sweep(x, block).sums(y))
    effects = Effects(mitscherlich, (np.ones((1, 1)),) * 3, shape=None)
    thetas = np.array([[6.0, 2.0, -0.2, 1.0, 0.3, 0.5, 0.1], [5.5, 2.5, 0.1, 0.8, -0.2, 0.7, 0.1]])
    ours = [
        evaluate(data, effects, t, centred(data, effects, t, 1), slopes=False).log_likelihood[0]
        for t in thetas
    ]
    free = np.linalg.svd((np.where(block == 0, 1.0, -1.0))[:, None])[0][:, 1:]  # orthogonal to the difference
    by_hand = []
    for t in thetas:
        _, factor, _, _, sigma = effects.split(t)
        c = np.column_stack(mitscherlich(x, [t[2]]))
        cov = sigma**2 * (np.eye(6) + c @ factor @ factor.T @ c.T)
        by_hand.append(stats.multivariate_normal.logpdf(free.T @ y, free.T @ c @ t[:2], free.T @ cov @ free))
    assert ours[0] - ours[1] == pytest.approx(by_hand[0] - by_hand[1])


# ---- networks


RATES = np.tile(np.linspace(0, 200, 6), 3)
PRICES = Prices(8.0, 1000.0, "kg", "t")


def network(params, curve="linear_plateau", sd=0.3, seed=1, rates=RATES, scale=1.0):
    """Sites of given published parameters, as checked trials."""
    rng, out = np.random.default_rng(seed), {}
    for i, own in enumerate(np.atleast_2d(params)):
        y = CURVES[curve].value(rates, own) + rng.normal(0, sd, len(rates))
        block = np.repeat(np.arange(len(rates) // len(np.unique(rates))), len(np.unique(rates)))
        table = pd.DataFrame({"block": block, "rate_kg_ha": rates * scale, "yield_t_ha": y})
        out[f"site {i}"] = read_trial_data(table)
    return out


@pytest.fixture(scope="module")
def joins():
    """24 sites: level 6, slope 0.04, join 100 with a spread of 25 %, and a soil test that goes with it."""
    rng = np.random.default_rng(8)
    z = rng.normal(size=24)
    params = np.column_stack([rng.normal(6, 0.8, 24), rng.normal(0.04, 0.005, 24), 100 * np.exp(0.25 * z)])
    known = pd.DataFrame(
        {"soil test": 20 - 6 * z + rng.normal(0, 1, 24)}, index=[f"site {i}" for i in range(24)]
    )
    trials = network(params)
    return params, known, trials, fit_network(trials)


@pytest.fixture(scope="module")
def by_soil(joins):
    _, known, trials, _ = joins
    return fit_network(trials, known=known, curve="linear_plateau")


def test_truth_is_met(joins):
    params, _, _, fit = joins
    assert fit.curve == "linear_plateau"
    table = fit.coefficients.set_index("term")
    for term, true in (("yield at 0 kg/ha", 6.0), ("slope at the start", 0.04), ("end of the rise", 100.0)):
        assert table.loc[term, "low"] < true < table.loc[term, "high"]
    assert np.abs(fit.sites["end_of_rise"] - params[:, 2]).mean() < 8
    rate = fit.best_rate(PRICES)
    best = np.arange(0, 200.5)
    own = (CURVES["linear_plateau"].value(best, params[:, None, :]) - 0.008 * best).mean(axis=0)
    assert rate.rate == pytest.approx(best[own.argmax()], abs=8)
    assert rate.low < rate.rate < rate.high
    assert rate.own_low < 80 < 150 < rate.own_high


def test_mean_curve_is_the_mean_of_sites_drawn(joins):
    fit = joins[3]
    rng, rates = np.random.default_rng(1), np.array([0.0, 60, 110, 180])
    own = fit.own_params(np.repeat(fit.model.theta[None], 8_000, axis=0), fit.known.rows(), rng)
    drawn = CURVES[fit.curve].value(rates, own[:, None, :])
    assert fit.mean_curve(rates) == pytest.approx(drawn.mean(axis=0), abs=4 * drawn.std() / 89)


def test_sites_are_drawn_towards_the_mean(joins):
    _, _, trials, _ = joins
    few = dict(trials) | {
        "site 0": read_trial_data(pd.DataFrame({"rate_kg_ha": [0.0, 200], "yield_t_ha": [6.0, 10.1]}))
    }
    other = fit_network(few, curve="linear_plateau")
    end, mean = other.sites["end_of_rise"][0], other.coefficients["estimate"][2]
    assert abs(end - mean) < 25  # two rates say little of a join: it is taken from the other sites
    assert other.sites["n"][0] == 2


def test_a_soil_test_explains_joins_and_gives_a_rate_for_a_new_site(joins, by_soil):
    fit, (*_, plain_fit) = by_soil, joins
    row = fit.coefficients.set_index("term").loc["end of the rise, by soil test"]
    assert row["p"] < 0.001
    assert row["low"] < 100 * np.expm1(-0.25 / 6) < row["high"]  # z = (20 - soil) / 6 but for its error
    spread = [
        f.spread.set_index("effect").loc["end of the rise between sites", "sd"] for f in (fit, plain_fit)
    ]
    assert spread[0] < 0.6 * spread[1]
    low, high = (network_rate(fit, PRICES, given={"soil test": value}) for value in (14, 26))
    assert low.rate > 110 > 95 > high.rate
    assert (
        low.own_high - low.own_low
        < network_rate(plain_fit, PRICES).own_high - network_rate(plain_fit, PRICES).own_low
    )
    assert "At a new site of soil test 14" in low.summary()
    # The region is the mean of its sites, not the site of the mean soil test, whose own best rate is lower.
    rates = np.arange(0, 200.5)
    net = CURVES["linear_plateau"].value(rates, joins[0][:, None, :]) - 0.008 * rates
    region = network_rate(fit, PRICES)
    assert region.rate == pytest.approx(rates[net.mean(axis=0).argmax()], abs=8)
    assert region.rate > network_rate(fit, PRICES, given={"soil test": 20}).rate + 5
    assert region.own_low < 80 < 150 < region.own_high


def test_what_is_not_known_of_the_sites_is_refused(joins, by_soil):
    _, known, trials, _ = joins
    with pytest.raises(InputError, match="no data on 'pH'"):
        network_rate(by_soil, PRICES, given={"pH": 6.5})
    with pytest.raises(InputError, match="outside the range of the sites"):
        network_rate(by_soil, PRICES, given={"soil test": 300})
    with pytest.raises(InputError, match="the same at every site"):
        fit_network(trials, known=known.assign(year=2024))
    with pytest.raises(InputError, match="missing or not a number at site 3"):
        fit_network(trials, known=known.drop(index="site 3"))
    with pytest.raises(NotEstimable, match="24 sites cannot support one model with 23 terms"):
        fit_network(trials, known=known.assign(**{"soil test": known.index}))


def test_previous_crops_are_classes(joins):
    _, _, trials, _ = joins
    crop = pd.DataFrame({"crop before": np.where(np.arange(24) % 3, "corn", "soybean")}, index=list(trials))
    fit = fit_network(trials, known=crop, curve="linear_plateau")
    assert fit.known.terms == ["crop before: soybean"]
    assert fit.known.rows({"crop before": "soybean"})[0].tolist() == pytest.approx([1, 2 / 3])
    assert fit.known.rows().mean(axis=0).tolist() == pytest.approx([1, 0])
    bare = fit_network(trials, curve="linear_plateau")  # the mean over sites, not that of a class
    assert fit.coefficients["estimate"][0] == pytest.approx(bare.coefficients["estimate"][0], abs=0.02)
    with pytest.raises(InputError, match="no site has it"):
        network_rate(fit, PRICES, given={"crop before": "wheat"})


def test_no_response_and_no_bend_are_said():
    flat = fit_network(network([[6 + i / 10, 0, 100] for i in range(8)]))
    assert flat.curve == "mean"
    assert "No rise is shown" in flat.summary()
    rate = network_rate(flat, PRICES)
    assert (rate.rate, rate.status) == (0, "no economic response")
    assert "no tested rate returns more" in rate.summary()
    steep = fit_network(network([[6 + i / 10, 0.03 + i / 1000, 900] for i in range(8)]))
    assert steep.curve == "linear"
    assert "ends beyond the rates tested" in steep.summary()
    rate = network_rate(steep, PRICES)
    assert rate.status == "at least the highest rate"
    assert np.isinf(rate.high)
    assert "at least 200 kg/ha" in rate.summary()


def test_a_join_beyond_the_rates_of_a_site_is_named():
    params = [[6, 0.04, join] for join in (80, 90, 100, 110, 120, 130, 90, 100, 170, 190)]
    trials = network(params)
    short = np.tile([0.0, 40, 80, 120], 3)
    trials["site 8"] = network([params[8]], rates=short)["site 0"]
    fit = fit_network(trials, curve="linear_plateau")
    assert "site 8" in fit.sites.loc[fit.sites["remark"] != "", "trial"].tolist()
    assert "beyond the highest rate tested there: site 8" in fit.summary()
    assert network_rate(fit, PRICES).sites["status"][8] == "at least the highest rate"


def test_sites_alike_have_no_spread_and_say_so():
    fit = fit_network(network([[6, 0.04, 100]] * 12), curve="linear_plateau")
    checks = fit.checks.set_index("check")
    assert not checks.loc["level differs between sites", "passed"] or fit.spread["sd"][0] < 0.15
    assert fit.spread.set_index("effect")["sd"]["one plot or strip"] == pytest.approx(0.3, abs=0.05)
    assert network_rate(fit, PRICES).rate == pytest.approx(100, abs=8)


def test_too_few_sites_or_contrasts_are_refused():
    two = network([[6, 0.04, 100]] * 2)
    with pytest.raises(NotEstimable, match="2 sites cannot support one model"):
        fit_network(two)
    pairs = network([[6, 0.04, 100]] * 5, rates=np.tile([0.0, 200], 3))
    with pytest.raises(NotEstimable, match="confounded with sites"):
        fit_network(pairs)


def test_an_unsettled_join_is_refused():
    """One rate below any join: slope and join act through their product alone."""
    sites = network([[6 + i / 5, 0.1, 30] for i in range(6)], rates=np.tile([0.0, 60, 120, 180], 3))
    with pytest.raises(NotEstimable, match="the end of the rise is uncertain"):
        fit_network(sites)


@pytest.mark.parametrize("unit", [1e-3, 50.0])
def test_unit_of_the_rate_does_not_matter(joins, unit):
    params, _, _, one = joins
    other = fit_network(network(params, scale=unit), curve="linear_plateau")
    assert other.model.log_likelihood == pytest.approx(one.model.log_likelihood, abs=1e-3)
    ratio = other.coefficients["estimate"] / one.coefficients["estimate"]
    assert ratio.tolist() == pytest.approx([1, 1 / unit, unit], rel=1e-3)
