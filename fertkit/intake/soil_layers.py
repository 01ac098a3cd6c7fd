"""Layers of one sampling that follow each other from the surface, taken together as one test."""

import pandas as pd

from fertkit.intake.soil_headers import analytes
from fertkit.rounding import same

_PLACE = ["field", "zone", "analyte", "extractant", "method", "sampled"]


def whole_layers(table: pd.DataFrame) -> pd.DataFrame:
    """Return the mean over the layers of what moves with water, such as nitrate, down to each lower layer.

    Layers count by their thickness, as rates that rest on the mean of the root zone ask for; pounds, which
    are of one layer each, are added up. A layer that was sampled as a whole stands for itself, and pounds
    below ppm are not joined: what a layer weighs is the laboratory's to say.

    Parameters
    ----------
    table : DataFrame
        ``SoilTests.table``.

    Returns
    -------
    DataFrame
        A row a point, or a field where its layers are named otherwise; columns as those of `table`.
    """
    moves = [name for name, known in analytes().items() if known["moves"] == "with water"]
    rows = table[table["analyte"].isin(moves) & table["unit"].isin(["ppm", "lb/ac"])]
    rows = rows[rows["value"].notna() & rows["depth_in"].notna()]
    made = []
    for _, of in rows.groupby(_PLACE, sort=False, dropna=False):
        points = [own for _, own in of.groupby("sample", sort=False)]
        each = all(own["top_in"].max() > own["top_in"].min() for own in points)
        for own in points if each else [of]:
            if own["pounds"].notna().all():
                added = own.assign(value=own["pounds"], unit="lb/ac")
                made += _downward(added, lambda held, layer, value: held + value)
            elif (own["unit"] == "ppm").all():
                made += _downward(own, _mean)
    return pd.DataFrame(made, columns=table.columns)


def _mean(held, layer, value):
    """The mean down to the end of a layer, by thickness."""
    top, bottom = layer
    return (held * top + value * (bottom - top)) / bottom


def _downward(rows, join):
    """The test from the surface to the end of each layer that follows on, the thinnest of a place first."""
    layers = rows.groupby(["top_in", "depth_in"])["value"].mean()
    sampled = [end for top, end in layers.index if top == 0]
    end, held, made = 0.0, 0.0, []
    for (top, bottom), value in layers.items():
        if not same(top, end) or bottom <= top:
            continue
        held, end = join(held, (top, bottom), value), bottom
        if top > 0 and not any(same(end, whole) for whole in sampled):
            limits = rows["censored"][rows["depth_in"] <= end]
            first = rows.iloc[0].to_dict() | {"top_in": 0.0, "depth_in": end, "value": held}
            made.append(first | {"censored": limits.max(), "flag": ""})
    return made
