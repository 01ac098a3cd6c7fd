"""Nitrogen nutrition index from critical dilution curves: whole-shoot nitrogen against shoot biomass.

Nc = a W^-b (Lemaire and Salette; parameters by crop from their own publications); NNI = N / Nc.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from fertkit.asked import amounts, asks, labels
from fertkit.errors import InputError, LookupFailed, NotEstimable, Problem, unknown
from fertkit.reference.crops import base_crop, crop_name
from fertkit.reference.facts import load_facts
from fertkit.reference.load import list_sources, load_table, read_or_remembered
from fertkit.results import Result, checks_frame, records
from fertkit.rounding import above, at_most, below
from fertkit.tissue.balance import balance_notes, results_grid

WHOLE = "whole plant"


@dataclass(frozen=True)
class NutritionIndex(Result):
    """Nitrogen nutrition index of samples, one row per sample and curve.

    Attributes
    ----------
    indices : DataFrame
        Also ``table``: sample, biomass_t_ha, n_pct, source_key, variant, region, critical_n_pct, nni,
        critical_uptake_kg_ha, deficit_kg_ha (nitrogen missing in the shoot; negative above the curve),
        relative_yield (where the source of the curve gives it for the index; see `relative_yield`), note.
        NaN outside the biomass a curve was made for.
    curves : DataFrame
        Curves used.
    refused : DataFrame
        sample, why: samples of a file that no curve can judge.
    """

    indices: pd.DataFrame
    curves: pd.DataFrame
    refused: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=["sample", "why"]))

    @property
    def table(self) -> pd.DataFrame:
        return self.indices

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.curves["source_key"], *balance_notes("nni")["source_key"]])

    @property
    def checks(self) -> pd.DataFrame:
        memory = self.curves[self.curves["provenance"] == "from_memory"]["source_key"].unique()
        outside = int(self.indices["nni"].isna().sum())
        told = read_or_remembered("curve", memory)
        without = (
            "every value lies where a curve holds",
            "values outside a curve have no index: see the column note",
        )
        return checks_frame(
            [
                ("curves from memory", len(memory), "0", not len(memory), told),
                ("values outside a curve", outside, "0", not outside, without),
            ]
        )


def critical_n(biomass_t_ha, a_pct, b, w_min_t_ha=np.nan, nc_below_w_min_pct=np.nan):
    """Critical nitrogen of the shoot [% of dry matter].

    Parameters
    ----------
    biomass_t_ha : float or array
        Shoot dry matter [t/ha].
    a_pct, b : float
        Parameters of ``Nc = a W^-b`` [% at 1 t/ha].
    w_min_t_ha : float
        Below it Nc is held constant [t/ha]; NaN: the curve is used as it is.
    nc_below_w_min_pct : float
        That constant [%]; the curve's value at `w_min_t_ha` if NaN.
    """
    w = np.asarray(biomass_t_ha, float)
    if np.isnan(w_min_t_ha):
        return a_pct * w**-b
    held = a_pct * w_min_t_ha**-b if np.isnan(nc_below_w_min_pct) else nc_below_w_min_pct
    return np.where(w < w_min_t_ha, held, a_pct * np.maximum(w, w_min_t_ha) ** -b)


def relative_yield(nni, source: str):
    """Yield, as a share of the yield with ample nitrogen, that a source gives for a nutrition index.

    A line on the rising part only (``reference/tissue/nni_yield.csv``); NaN above it, and for a source that
    gives none.

    Examples
    --------
    >>> from fertkit.tissue.dilution import relative_yield
    >>> relative_yield([0.7, 0.8, 0.9, 1.0], "ZIADI2008").round(3).tolist()
    [0.709, 0.826, 0.943, nan]
    """
    nni = np.asarray(nni, float)
    lines = load_facts("nni_yield", ("intercept", "slope", "up_to_nni")).set_index("source_key")
    if source not in lines.index:
        return np.full(nni.shape, np.nan)
    line = lines.loc[source]
    share = line["intercept"] + line["slope"] * nni
    return np.where(at_most(nni, line["up_to_nni"]) & (share >= 0), share, np.nan)


@asks(biomass_t_ha=amounts, shoot_n_pct=amounts, names=labels)
def nitrogen_nutrition_index(
    crop: str, biomass_t_ha, shoot_n_pct, *, source: str | None = None, part: str = WHOLE, names=None
) -> NutritionIndex:
    """Nitrogen nutrition index against every published curve of a crop.

    Parameters
    ----------
    crop : str
    biomass_t_ha : array
        Dry matter of the whole shoot [t/ha].
    shoot_n_pct : array
        Nitrogen of the whole shoot [% of dry matter]. A leaf value must never be put here.
    source : str, optional
        Source key of one curve.
    part : str
        What was sampled; anything but the whole plant is refused.
    names : sequence of str, optional
        Names of the samples.

    Raises
    ------
    InputError
        If the part is not the whole plant, or a value is not above zero.
    LookupFailed
        If there is no curve for the crop or source; lists those there are.

    Examples
    --------
    Maize with 5 t/ha of shoots at 1.60 % N: critical 1.8744 % (PLENET2000), index 0.854, 13.7 kg/ha missing.

    >>> from fertkit.tissue import nitrogen_nutrition_index
    >>> row = nitrogen_nutrition_index("corn", [5.0], [1.60], source="PLENET2000").table.iloc[0]
    >>> row[["critical_n_pct", "nni", "deficit_kg_ha"]].astype(float).round(3).tolist()
    [1.874, 0.854, 13.72]
    """
    curves = _curves(crop, source)
    biomass, n = np.atleast_1d(np.asarray(biomass_t_ha, float)), np.atleast_1d(np.asarray(shoot_n_pct, float))
    names = list(names) if names is not None else [f"sample {i + 1}" for i in range(len(biomass))]
    _refuse(crop, part, biomass, n, names)
    rows = [_against(curve, biomass, n, names) for curve in records(curves)]
    return NutritionIndex(pd.concat(rows, ignore_index=True), curves)


def dilution_of(samples, biomass_t_ha, *, source: str | None = None) -> NutritionIndex:
    """Nitrogen nutrition index of the whole shoots of a file, each by the curves of its crop.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
    biomass_t_ha : Series
        Shoot dry matter by specimen [t/ha].
    source : str, optional
        Source key of one curve.

    Returns
    -------
    NutritionIndex
        Leaves, crops without a curve and samples without nitrogen or biomass are listed in ``refused``.

    Raises
    ------
    NotEstimable
        If no sample can be judged; tells why of each.
    """
    grid, context = results_grid(samples)
    frame = context.assign(n=grid.get("N"), biomass=biomass_t_ha.reindex(context.index))
    made, why = [], {}
    for (crop, part), mine in frame.groupby(["crop", "plant_part"], sort=False):
        whole = mine[(mine["n"] > 0) & (mine["biomass"] > 0)]
        why |= dict.fromkeys(mine.index.difference(whole.index), "no nitrogen, or no shoot dry matter, given")
        if whole.empty:
            continue
        try:
            given = crop, whole["biomass"], whole["n"]
            made.append(nitrogen_nutrition_index(*given, source=source, part=part, names=whole["sample_id"]))
        except InputError as error:
            why |= dict.fromkeys(whole.index, error.problems[0].plain)
        except LookupFailed as error:
            why |= dict.fromkeys(whole.index, error.plain)
    refused = pd.DataFrame({"sample": context.loc[list(why), "sample_id"], "why": list(why.values())})
    if not made:
        raise NotEstimable("; ".join(dict.fromkeys(f"{r.sample}: {r.why}" for r in records(refused))))
    indices = pd.concat([one.indices for one in made], ignore_index=True)
    curves = pd.concat([one.curves for one in made], ignore_index=True).drop_duplicates()
    return NutritionIndex(indices, curves.reset_index(drop=True), refused.reset_index(drop=True))


def _curves(crop, source):
    table = load_table("dilution")
    name = crop_name(crop)
    mine = table[[c in (name, base_crop(name)) or _base(c) == name for c in table["crop"]]]
    if mine.empty:
        known = ", ".join(sorted(table["crop"].unique()))
        lead = f"no critical nitrogen curve for {name}"
        if name == "soybean":
            lead += " (published as attenuated dilution; no cereal curve is used)"
        raise LookupFailed(f"{lead}; there are curves for: {known}")
    if source is not None:
        if source not in set(mine["source_key"]):
            raise unknown(f"source of {name} curves", source, mine["source_key"].unique())
        mine = mine[mine["source_key"] == source]
    return mine.reset_index(drop=True)


def _base(crop):
    try:
        return base_crop(crop)
    except LookupFailed:
        return crop


def _refuse(crop, part, biomass, n, names):
    from fertkit.intake.parts import plant_part

    if WHOLE not in plant_part(crop, part).names:
        remedy = "cut whole shoots at ground level; leaf values do not fit this curve"
        raise InputError("samples", [Problem(f"the part is {part}", remedy)])
    problems = [
        Problem(f"{what} is not above zero", "give whole-shoot dry matter and nitrogen", i + 1, None, value)
        for what, values in (("biomass", biomass), ("nitrogen", n))
        for i, value in enumerate(values)
        if not value > 0
    ]
    if len({len(biomass), len(n), len(names)}) > 1:
        problems.append(
            Problem("biomass, nitrogen and names differ in length", "give one of each per sample")
        )
    if problems:
        raise InputError("samples", problems)


def _against(curve, biomass, n, names):
    critical = critical_n(biomass, curve.a_pct, curve.b, curve.w_min_t_ha, curve.nc_below_w_min_pct)
    beyond = above(biomass, curve.w_max_t_ha)
    critical = np.where(beyond, np.nan, critical)
    uptake = 10 * biomass * critical
    under = below(biomass, curve.w_min_t_ha)
    note = np.select(
        [beyond, under, np.isnan(curve.w_min_t_ha) & below(biomass, 1)],
        [f"above {curve.w_max_t_ha:g} t/ha, beyond the curve",
         f"below {curve.w_min_t_ha:g} t/ha the critical level is held constant",
         "below 1 t/ha; the source gives no lower end"],
        "",
    )  # fmt: skip
    return pd.DataFrame(
        {
            "sample": names, "biomass_t_ha": biomass, "n_pct": n, "source_key": curve.source_key,
            "variant": curve.variant, "region": curve.region, "critical_n_pct": critical, "nni": n / critical,
            "critical_uptake_kg_ha": np.where(under, np.nan, uptake),
            "deficit_kg_ha": uptake - 10 * biomass * n,
            "relative_yield": relative_yield(n / critical, curve.source_key), "note": note,
        }
    )  # fmt: skip
