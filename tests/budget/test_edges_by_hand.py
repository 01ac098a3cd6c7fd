"""Edges of products and blends, by arithmetic on made-up products."""

import numpy as np
import pandas as pd

from fertkit.budget import blend
from fertkit.budget.products import product_cautions
from fertkit.reference import load_table

ONE = load_table("products").iloc[0].to_dict() | {
    "cautions": "", "source_key": "PHYSPROP", "provenance": "found", "density_lb_gal": np.nan,
}  # fmt: skip
EMPTY = dict.fromkeys([c for c in ONE if c.endswith("_pct") and not c.startswith("critical")], np.nan)


def made(name, **percent):
    return ONE | EMPTY | {"material": name, "grade": f"{name} grade"} | percent


def test_half_a_percent_of_boron_is_boron():
    own = pd.DataFrame([made("made half", b_pct=0.5), made("made none", b_pct=0.0)])
    warned = {name: set(product_cautions([name], products=own)["topic"]) for name in own["material"]}
    assert "boron toxicity" in warned["made half"]
    assert "boron toxicity" not in warned["made none"]


def test_a_mix_names_what_it_uses_and_nothing_else():
    own = pd.DataFrame([made("made a", k2o_pct=50.0), made("made b", k2o_pct=40.0)])
    prices = pd.DataFrame({"product": ["made a", "made b"], "price": [0.9, 0.2], "unit": "lb"})
    used = blend({"K2O": 40}, prices, products=own).used
    # 100 lb of the 40 % product at 0.20 against 80 lb at 0.90.
    assert used.to_dict("list").keys() == {"product", "rate", "volume", "cost"}
    assert (used["product"].tolist(), used["rate"].round(6).tolist()) == (["made b"], [100.0])
    assert used.index.tolist() == [0]
