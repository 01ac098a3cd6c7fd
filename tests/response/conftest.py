"""Shared shapes of trial tables for the response tests."""

import pandas as pd
import pytest

from fertkit.response.data import read_trial_data

#: Columns of the outside data sets: how a subset is chosen, and where rate and yield stand.
COLUMNS = {
    "bachmaier_wheat_n.csv": ("n_kg_ha", "yield_t_ha"),
    "hernandez_corn_n.csv": ("n_kg_ha", "yield_t_ha"),
    "engelstad_corn_n.csv": ("n_kg_ha", "yield_q_ha"),
    "hunter_corn_n.csv": ("n_lb_ac", "yield_bu_ac"),
    "broadbalk_s1_nseries.csv": ("n_kg_ha", "grain_t_ha_85dm"),
    "eden_fisher_potato_nk.csv": ("k_cwt_ac", "yield_lb_plot"),
    "gomez_rice_seedrate_rcbd.csv": ("seed_kg_ha", "yield_kg_ha"),
    "yates_oats_splitplot_n.csv": ("n_cwt_ac", "yield_qlb_plot"),
    "wisconsin_corn_n.csv": ("n_lb_ac", "yield_bu_ac"),
    "sas_nlin_quadplateau.csv": ("x", "y"),
    "marske_bod.csv": ("Time", "demand"),
}


@pytest.fixture(scope="session")
def make_trial():
    """Make a checked trial from rates and yields, in kg/ha and t/ha."""

    def make(x, y, block=None, **options):
        table = pd.DataFrame(
            {"rate_kg_ha": pd.Series(x, dtype=float), "yield_t_ha": pd.Series(y, dtype=float)}
        )
        if block is not None:
            table["block"] = list(block)
        return read_trial_data(table, **options)

    return make


@pytest.fixture(scope="session")
def outside_trial(outside, make_trial):
    """Take one subset, named as in response_reference_fits.csv, of an outside data set; blocks not used."""

    def take(name, subset="all"):
        data = outside(name)
        if name.startswith(("bachmaier", "hernandez")):
            column, value = subset.split("=")
            data = data[data[column] == value]
        elif name.startswith(("engelstad", "hunter")):
            place, year = subset.rsplit("-", 1)
            data = data[(data["loc"] == place) & (data["year"] == int(year))]
        elif name.startswith("broadbalk"):
            if subset.startswith("mean"):
                data = data.groupby("n_kg_ha", as_index=False)["grain_t_ha_85dm"].mean()
            else:
                data = data[data["year"] == int(subset)]
        elif name.startswith("eden"):
            data = data[data["year"] == subset.split()[0]]
        elif name.startswith("heady"):
            crop, nutrient = subset.split()[:2]
            data = data[(data["crop"] == crop) & (data["P"] == 160)].dropna(subset=["yield"])
            return make_trial(data[nutrient].to_numpy(), data["yield"].to_numpy())
        rate, yields = COLUMNS[name]
        scale = 80 / 112 / 4 if name.startswith("yates") else 1.0  # quarter pounds a plot to cwt/ac
        data = data.dropna(subset=[yields])
        return make_trial(data[rate].to_numpy(), data[yields].to_numpy() * scale)

    return take
