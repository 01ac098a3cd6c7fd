"""What nutrient balances share, and the deviation from optimum percentage."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.asked import asks, holding
from fertkit.errors import InputError, LookupFailed, NotEstimable, Problem, typed, unknown
from fertkit.intake.parts import parts_match, plant_part
from fertkit.reference.crops import base_crop
from fertkit.reference.facts import load_facts
from fertkit.reference.load import list_sources, read_or_remembered
from fertkit.results import Result, checks_frame, records
from fertkit.tissue.agree import Verdict
from fertkit.tissue.match import samples_frame
from fertkit.tissue.score import score_tissue

#: Said first where norms are missing, and what to do instead.
UNPUBLISHED = "no source read here publishes means and spreads of a field crop"
BUILD = "build norms from your own high-yielding samples"
BUILD_TYPED = typed("--build-norms NORMS.csv --yield-column NAME --cutoff YIELD", "build_norms(...)")
INDEX_COLUMNS = ["specimen", "sample_id", "nutrient", "value", "index", "order", "verdict"]


@dataclass(frozen=True)
class Balance(Result):
    """Balance indices of samples.

    Attributes
    ----------
    method : str
        Name of the method and its variant.
    indices : DataFrame
        Also ``table``: specimen, sample_id, nutrient, value, index (negative: short against the others),
        order (1: needed first; equal indices share a place), verdict of the published ranges.
    totals : DataFrame
        specimen, sample_id, and the overall imbalance in the method's own measures.
    norms : DataFrame
        Norms used, with source_key, provenance, confidence.
    refused : DataFrame
        specimen, sample_id, why no index was made.
    notes : DataFrame
        note, source_key, provenance.
    """

    method: str
    indices: pd.DataFrame
    totals: pd.DataFrame
    norms: pd.DataFrame
    refused: pd.DataFrame
    notes: pd.DataFrame

    @property
    def table(self) -> pd.DataFrame:
        return self.indices

    @property
    def sources(self) -> pd.DataFrame:
        return list_sources([*self.norms.get("source_key", []), *self.notes["source_key"]])

    @property
    def checks(self) -> pd.DataFrame:
        memory = self.norms.get("provenance", pd.Series(dtype=object)).eq("from_memory").sum()
        told = read_or_remembered("norm")
        without = ("every sample has its index", "samples without an index: see `refused`")
        return checks_frame(
            [
                ("norms from memory", int(memory), "0", bool(memory == 0), told),
                ("samples without index", len(self.refused), "0", self.refused.empty, without),
            ]
        )


def results_grid(samples) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Specimens by nutrients (uncensored, above zero; home units), and the context of each specimen."""
    frame = samples_frame(samples)
    plain = frame[(frame["censored"] == "") & (frame["value"] > 0)]
    grid = plain.pivot_table(index="specimen", columns="nutrient", values="value", aggfunc="first")
    context = frame.drop_duplicates("specimen").set_index("specimen")
    context["sample_id"] = context["label"]  # tells samples of one name apart
    return grid.reindex(context.index), context[["sample_id", "crop", "growth_stage", "plant_part"]]


def choose_norms(norms: pd.DataFrame, context: pd.DataFrame, source: str | None, kind: str):
    """Norms for each crop and part of the samples.

    Returns
    -------
    sets : list of (DataFrame, list of int)
        Norms and the specimens they fit.
    why : dict of int -> str
        Why the other specimens are left out.

    Raises
    ------
    LookupFailed
        If the source is not known, or several sets fit and none is named.
    NotEstimable
        If no set fits any sample.
    """
    if source is not None and source not in set(norms["source_key"]):
        raise unknown(f"source of {kind} norms", source, norms["source_key"].unique())
    fits = (norms if source is None else norms[norms["source_key"] == source]).reset_index(drop=True)
    sets, why = {}, {}
    for condition, at in context.groupby(["crop", "plant_part"], sort=False, dropna=False).groups.items():
        crop, part = ("" if pd.isna(word) else word for word in condition)
        held = fits[[_fits(norm, crop, part) for norm in records(fits)]]
        if len(set(held["source_key"])) > 1:
            named = ", ".join(held["source_key"].unique())
            raise LookupFailed(f"several {kind} norms fit", "source=...", remedy=f"name one: {named}")
        if held.empty:
            why |= dict.fromkeys(at, f"no {kind} norms for {f'{crop} {part}'.strip() or 'a crop not stated'}")
        else:
            sets.setdefault(tuple(held.index), []).extend(at)
    if not sets:
        crops = ", ".join(text.removeprefix(f"no {kind} norms for ") for text in dict.fromkeys(why.values()))
        have = dict.fromkeys(f"{n.crop} {n.plant_part} ({n.source_key})" for n in records(fits))
        what = f"no {kind} norms for {crops}: {UNPUBLISHED}; there are: {', '.join(have)}"
        raise NotEstimable(what, BUILD_TYPED, remedy=BUILD)
    return [(fits.loc[list(rows)].reset_index(drop=True), at) for rows, at in sets.items()], why


def _fits(norm, crop: str, part: str) -> bool:
    if norm.crop == "any":
        return True
    if norm.crop != crop:
        try:
            if base_crop(norm.crop) != base_crop(crop):
                return False
        except LookupFailed:  # crops outside the crop table are compared by name
            return False
    if norm.plant_part == part:
        return True
    try:
        return bool(parts_match(plant_part(crop, part), plant_part(norm.crop, norm.plant_part)))
    except LookupFailed:
        return False


def make_balance(title, method, samples, index, totals, norms, why) -> Balance:
    """Assemble a Balance.

    Parameters
    ----------
    title, method : str
        Name shown, and key of its notes.
    samples : TissueSamples or DataFrame
    index : DataFrame
        Specimens by nutrients; NaN where there is no index.
    totals : DataFrame
        Overall measures by specimen.
    norms : DataFrame or list of DataFrame
    why : dict of int -> str
        Reason by specimen, for those refused.
    """
    grid, context = results_grid(samples)
    long = _below_each_other(index, "index").merge(_below_each_other(grid, "value"), how="left")
    long = long.merge(range_verdicts(samples), on=["specimen", "nutrient"], how="left")
    long["verdict"] = long["verdict"].fillna(Verdict.NOT_JUDGED.value)
    long["order"] = long.groupby("specimen")["index"].rank(method="min").astype(int)
    long["sample_id"] = context.loc[long["specimen"], "sample_id"].to_numpy()
    totals = totals.rename_axis("specimen").reset_index()
    totals.insert(1, "sample_id", context.loc[totals["specimen"], "sample_id"].to_numpy())
    refused = pd.DataFrame({"specimen": list(why), "why": list(why.values())}, dtype=object)
    refused.insert(1, "sample_id", context.loc[list(why), "sample_id"].to_numpy())
    norms = pd.concat(norms, ignore_index=True) if isinstance(norms, list) else norms
    return Balance(title, long[INDEX_COLUMNS], totals, norms, refused, balance_notes(method))


def balance_notes(method: str) -> pd.DataFrame:
    """Return what a method cannot say: note, source_key, provenance."""
    notes = load_facts("balance_notes")
    return notes[notes["method"] == method].drop(columns="method").reset_index(drop=True)


def _below_each_other(grid, name):
    """Grid of specimens by nutrients as specimen, nutrient, `name`; specimen by specimen, gaps left out."""
    grid = grid.rename_axis(index="specimen", columns=None).reset_index()
    long = grid.melt("specimen", var_name="nutrient", value_name=name).dropna()
    return long.sort_values("specimen", kind="stable").reset_index(drop=True)


def range_verdicts(samples) -> pd.DataFrame:
    """specimen, nutrient, verdict of the published ranges; empty where crop, stage or part is not known."""
    try:
        agreement = score_tissue(samples).agreement
    except LookupFailed:
        empty = {"specimen": int, "nutrient": object, "verdict": object}
        return pd.DataFrame({name: np.array([], kind) for name, kind in empty.items()})
    return agreement[["specimen", "nutrient", "verdict"]]


@asks(samples=holding("table", of="read_tissue"))
def dop(samples, optimum: dict, *, source_key: str = "own table", provenance: str = "own table") -> Balance:
    """Deviation from optimum percentage of each nutrient.

    Parameters
    ----------
    samples : TissueSamples or DataFrame
    optimum : dict of nutrient -> float
        Optimum concentrations for this crop, part and stage [% for N, P, K, Ca, Mg, S, Cl, Na; mg/kg else].
    source_key, provenance : str
        Where the optimum comes from.

    Returns
    -------
    Balance
        ``totals`` hold the sum of absolute deviations. Equal deviations share a place in the order.

    Raises
    ------
    InputError
        If an optimum is not a number above zero.

    Examples
    --------
    A grape leaf with half the reference potassium of 1.42 % (reference: GRAPE_DOP; the sample is made up):

    >>> from fertkit.tissue import dop
    >>> from io import StringIO
    >>> from fertkit.intake import read_tissue
    >>> sheet = "Sample,Crop,Stage,Part,N %,K %\\nA,grape,full bloom,leaf,4.54,0.71\\n"
    >>> table = dop(read_tissue(StringIO(sheet)), {"N": 5.05, "K": 1.42}).table
    >>> table.set_index("nutrient")["index"].round(2).to_dict()
    {'N': -10.1, 'K': -50.0}
    """
    for nutrient, value in optimum.items():
        if not value > 0:
            remedy = "give a concentration above zero"
            raise InputError("optimum", [Problem("not an optimum", remedy, column=nutrient, value=value)])
    grid, context = results_grid(samples)
    shared = [n for n in optimum if n in grid]
    # Montanes et al. (1995): 0 is the optimum, negative is short
    index = (grid[shared] * 100.0 / pd.Series(optimum, dtype=float)[shared] - 100.0).dropna(how="all")
    totals = pd.DataFrame({"sum_abs_dop": index.abs().sum(axis=1)})
    norms = pd.DataFrame({"nutrient": list(optimum), "optimum": list(optimum.values())})
    norms = norms.assign(source_key=source_key, provenance=provenance)
    lost = context.index.difference(index.index)
    why = dict.fromkeys(lost, "no nutrient of the optimum was measured")
    return make_balance("Deviation from optimum percentage", "dop", samples, index, totals, norms, why)
