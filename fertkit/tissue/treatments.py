"""Compare treatments of a trial by their leaves."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.errors import InputError, NotEstimable, Problem, missing_columns
from fertkit.intake.plausible import home_unit
from fertkit.results import Result, checks_frame
from fertkit.rounding import above
from fertkit.tissue.balance import results_grid
from fertkit.units import convert_concentration

CONFIDENCE = 0.95


@dataclass(frozen=True)
class TreatmentComparison(Result):
    """Analysis of variance of each nutrient over the treatments.

    Attributes
    ----------
    tests : DataFrame
        Also ``table``: measure (concentration, uptake), nutrient, unit, treatments, n, f, p_value, error_ms,
        error_df, sed (mean standard error of a difference), lsd (95 %).
    means : DataFrame
        measure, nutrient, treatment, mean, n.
    anova : DataFrame
        measure, nutrient, term (block, treatment, error), df, ss, ms.
    blocked : bool
    """

    tests: pd.DataFrame
    means: pd.DataFrame
    anova: pd.DataFrame
    blocked: bool

    @property
    def table(self) -> pd.DataFrame:
        return self.tests

    @property
    def sources(self) -> pd.DataFrame:
        return pd.DataFrame(columns=["source_key", "citation", "address", "obtained", "note"])

    @property
    def checks(self) -> pd.DataFrame:
        n = len(self.tests)
        meaning = (
            "one test: its p value stands",
            "with many tests about one in twenty is significant by chance",
        )
        return checks_frame([("tests made together", n, "<= 1", n <= 1, meaning)])


@asks(samples=holding("table", of="read_tissue"))
def compare_treatments(samples, design: pd.DataFrame) -> TreatmentComparison:
    """Analysis of variance of concentrations, and of uptake where biomass is given.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
        One composite per plot.
    design : DataFrame
        sample_id, treatment, and optionally block and biomass_kg_ha (dry matter of what was sampled).

    Returns
    -------
    TreatmentComparison
        Completely randomised without blocks, else randomised blocks (least squares, treatments after blocks).
        Uptake is in kg/ha for macronutrients and g/ha for the others.

    Raises
    ------
    InputError
        If the design lacks a column or names a plot twice, or a sample stands outside it.
    NotEstimable
        If no degrees of freedom are left for error.

    Examples
    --------
    >>> from fertkit.tissue import compare_treatments
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> import pandas as pd
    >>> design = pd.DataFrame(
    ...     {"sample_id": list("abcdef"), "block": [1, 1, 2, 2, 3, 3], "treatment": [0, 60] * 3}
    ... )
    >>> leaf_k = zip("abcdef", [1.3, 1.9, 1.4, 2.1, 1.2, 1.7])
    >>> rows = "".join(f"{name},soybean,R2,trifoliate,{k}\\n" for name, k in leaf_k)
    >>> sheet = "Sample,Crop,Stage,Part,K %\\n" + rows
    >>> print(compare_treatments(read_tissue(StringIO(sheet)), design).summary()[:33])  # means by hand
    K concentration: 0 1.3, 60 1.9 %;
    """
    design = _checked(design)
    grid, context = results_grid(samples)
    outside = context.loc[~context["sample_id"].isin(design.index), "sample_id"]
    if len(outside):
        problems = [
            Problem(f"sample {name} is not in the design", "add it or leave it out") for name in outside
        ]
        raise InputError("design", problems)
    plots = design.loc[context["sample_id"]].set_axis(context.index)
    tests, means, anova = [], [], []
    for measure, unit, nutrient, values in _responses(grid, plots):
        kept = values.dropna().index
        fit = _fit(values[kept].to_numpy(), plots.loc[kept])
        if fit is None:
            continue
        key = {"measure": measure, "nutrient": nutrient}
        tests.append({**key, "unit": unit, **fit["test"]})
        means += [{**key, **row} for row in fit["means"]]
        anova += [{**key, **row} for row in fit["anova"]]
    if not tests:
        raise NotEstimable("no error degrees of freedom: use two or more treatments with a replicate")
    return TreatmentComparison(
        pd.DataFrame(tests), pd.DataFrame(means), pd.DataFrame(anova), "block" in plots
    )


def _checked(design):
    problems = missing_columns(design, ("sample_id", "treatment"))
    if not problems:
        twice = design["sample_id"][design["sample_id"].duplicated()]
        problems = [
            Problem("sample appears twice in the design", "name each plot once", value=name) for name in twice
        ]
    if problems:
        raise InputError("design", problems)
    return design.assign(sample_id=design["sample_id"].astype(str)).set_index("sample_id")


def _responses(grid, plots):
    for nutrient in grid:
        yield "concentration", home_unit(nutrient), nutrient, grid[nutrient]
    if "biomass_kg_ha" not in plots:
        return
    for nutrient in grid:
        macro = home_unit(nutrient) == "%"
        fraction = convert_concentration(grid[nutrient], home_unit(nutrient), "%") / 100
        amount = fraction * plots["biomass_kg_ha"] * (1 if macro else 1000)
        yield "uptake", "kg/ha" if macro else "g/ha", nutrient, amount


def _fit(y, plots):
    """Least-squares analysis of variance of one response; None without error degrees of freedom."""
    from scipy.stats import f as f_law
    from scipy.stats import t as t_law

    treatment = plots["treatment"].astype(str)
    groups = [pd.get_dummies(plots["block"].astype(str), dtype=float)] if "block" in plots else []
    base = np.column_stack([np.ones(len(y)), *(g.iloc[:, 1:].to_numpy() for g in groups)])
    dummies = pd.get_dummies(treatment, dtype=float)
    full = np.column_stack([base, dummies.iloc[:, 1:].to_numpy()])
    rss_mean, rss_base, rss_full = (_rss(x, y) for x in (np.ones((len(y), 1)), base, full))
    df_treatment = np.linalg.matrix_rank(full) - np.linalg.matrix_rank(base)
    df_error = len(y) - np.linalg.matrix_rank(full)
    if df_error < 1 or df_treatment < 1:
        return None
    ms, ms_error = (rss_base - rss_full) / df_treatment, rss_full / df_error
    size = float(y @ y)  # sums of squares below its rounding are none
    f = ms / ms_error if above(rss_full, 0, scale=size) else np.inf
    f = f if above(rss_base, rss_full, scale=size) else 0.0
    counts = treatment.value_counts()
    sed = float(np.sqrt(2 * ms_error * (1 / counts).mean()))
    test = {
        "treatments": len(counts), "n": len(y),
        "f": float(f), "p_value": float(f_law.sf(f, df_treatment, df_error)),
        "error_ms": float(ms_error), "error_df": int(df_error), "sed": sed,
        "lsd": float(t_law.ppf(0.5 + CONFIDENCE / 2, df_error) * sed),
    }  # fmt: skip
    rows = [("treatment", df_treatment, rss_base - rss_full), ("error", df_error, rss_full)]
    if groups:
        rows.insert(0, ("block", np.linalg.matrix_rank(base) - 1, rss_mean - rss_base))
    anova = [{"term": name, "df": int(df), "ss": ss, "ms": ss / df} for name, df, ss in rows]
    found = pd.Series(y, index=treatment.index).groupby(treatment, sort=False).agg(["mean", "size"])
    means = [{"treatment": name, "mean": r["mean"], "n": int(r["size"])} for name, r in found.iterrows()]
    return {"test": test, "anova": anova, "means": means}


def _rss(x, y):
    residual = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    return float(residual @ residual)
