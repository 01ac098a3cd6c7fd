"""What is checked of an analysed rate trial: its rates, error, blocks, response and fit."""

import numpy as np

from fertkit.intake.strip_checks import NO_BLOCKS
from fertkit.response.average import ALL_SAME, CHANCE, no_error, response_p
from fertkit.response.compare import arrays_of, lack_of_fit
from fertkit.response.fit import REPLICATED
from fertkit.response.optimum import Status
from fertkit.results import plain
from fertkit.rounding import below, first_largest


def check_analysis(analysis) -> list[tuple]:
    """Rows of the checks of a `ResponseAnalysis`, that on the prices first."""
    data, comparison, optimum, fits = analysis.data, analysis.comparison, analysis.optimum, analysis.fits
    rates, pure_df = data.rates, int(data.sums.pure_df[0])
    rows = [
        analysis.price_row,
        ("distinct rates", len(rates), ">= 3", len(rates) >= 3,
         ("enough rates for a curve", "fewer than three rates: a difference, not a curve")),
        ("replicates within rates [df]", pure_df, ">= 1", pure_df > 0,
         REPLICATED),
        *data.losses,
    ]  # fmt: skip
    if no_error(data.sums)[0, 0]:
        rows.append(("error between replicates", 0, "> 0", False, ("replicates differ", ALL_SAME)))
    top = f"< {plain(rates[-1])}"
    if comparison is not None:
        rows += [
            (f"optimum inside the tested rates [{optimum.unit}]", optimum.rate, top,
             optimum.status == Status.INTERIOR, Status(optimum.status).meaning),
            (f"interval closed above [{optimum.unit}]", optimum.interval.high, top,
             not optimum.interval.high_open,
             ("the interval of the optimum ends within the tested rates",
              "the interval of the optimum has no upper limit within the tested rates")),
        ]  # fmt: skip
    if data.block is None and pure_df > 0 and (data.weight == 1).all():
        rows.append(("blocks", 0, ">= 1", False, NO_BLOCKS))
    if analysis.treated is None:
        rows += analysis.error_rows
    if comparison is not None:
        beaten, none = not comparison.flat, "no significant response"
        told = ("a curve is better supported than no response", none)
        rows.append(("a curve beats the mean", int(beaten), ">= 1", beaten, told))
        p = float(response_p(arrays_of(fits), data.sums)[0, 0])
        weak = "the response may be chance: an F test of the parabola is not significant at 5%"
        told = ("significant response", weak if beaten else none)
        rows.append(
            ("response [p]", p, f"< {plain(CHANCE)}", None if np.isnan(p) else below(p, CHANCE), told)
        )
        fit = analysis.fits[analysis.weights.index[first_largest(analysis.weights)]]
        p = lack_of_fit(fit)[1]
        rows.append(
            ("lack of fit [p]", p, ">= 0.05", not below(p, 0.05),
             (f"no significant lack of fit of the {fit.curve.label} curve",
              f"significant lack of fit of the {fit.curve.label} curve"))
        )  # fmt: skip
        rows += [row for row in comparison.check_rows if row[0] != "distinct rates"]
        told = ("enough rates to distinguish curves", "three rates cannot distinguish the curves")
        rows.append(("three rates", len(rates), ">= 4", len(rates) > 3, told))
    return rows
