"""A field's budget does not depend on its neighbours in the table: every field alone is the reference."""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import farm_budget, nutrient_budget

SHARES = ["kept", 0.5, 1, 0.25]


@pytest.mark.parametrize(
    ("shares", "source"),
    [(SHARES[1:], None), *((shares, "PSU_STRAW") for shares in (SHARES, SHARES[::-1], [1, 0.5]))],
)
def test_a_field_among_others_is_as_it_is_alone(shares, source):
    # PSU_STRAW prints what grain and straw take together, so it has a removal only where all straw is baled
    fields = pd.DataFrame(
        [
            {"field": f"{crop} {share}", "crop": crop, "area_ac": 10.0 + k, "residue": share,
             "yield_goal": goal, "yield_unit": "bu/ac"}
            for k, (crop, goal) in enumerate([("corn", 200), ("wheat", 80)])
            for share in shares
            if source is None or crop != "corn"
        ]
    )  # fmt: skip
    whole = farm_budget(fields, source=source).table
    alone = []
    for i in range(len(fields)):
        try:
            alone.append(farm_budget(fields.iloc[[i]], source=source).table)
        except LookupError:  # the source has nothing for it
            continue
    alone = pd.concat(alone, ignore_index=True)
    pd.testing.assert_frame_equal(whole, alone)
    assert list(dict.fromkeys(whole["field"])) == fields["field"].tolist()
    if source:
        has = whole[whole["nutrient"].isin(["P2O5", "K2O"])].groupby("field")["removed"].count() > 0
        assert {name for name, some in has.items() if some} == {
            f for f in fields["field"] if f.endswith(" 1")
        }


@pytest.mark.parametrize(("area", "unit"), [("ac", "kg/ha"), ("ha", "lb/ac")])
def test_amounts_of_a_field_in_every_pair_of_units(area, unit):
    # 1 lb is 0.45359237 kg and 1 ac is 0.40468564224 ha, both exact
    fields = pd.DataFrame(
        {"crop": ["corn", "soybean"], f"area_{area}": [10.0, 4.0], "yield_goal_bu_ac": [200.0, 60.0]}
    )
    got = farm_budget(fields, unit=unit)
    assert (got.area_unit, set(got.table["unit"]), set(got.table["field_unit"])) == (
        area, {unit}, {unit.split("/")[0]},
    )  # fmt: skip
    acres = {"corn": 10.0, "soybean": 4.0}
    if area == "ha":
        acres = {crop: size / 0.40468564224 for crop, size in acres.items()}
    mass = 0.45359237 if unit == "kg/ha" else 1.0
    crops = got.table.groupby("crop").first()
    alone = {
        crop: nutrient_budget(crop, row["yield_goal"], "bu/ac").defaults.set_index("nutrient")
        for crop, row in crops.iterrows()
    }
    for row in got.table.itertuples():
        single = alone[row.crop].loc[row.nutrient]
        for name in ("uptake", "removed", "stays"):
            per_acre = single[name]
            rate = per_acre * mass / (0.40468564224 if unit == "kg/ha" else 1.0)
            np.testing.assert_allclose(getattr(row, name), rate)
            np.testing.assert_allclose(getattr(row, f"{name}_field"), per_acre * acres[row.crop] * mass)
    totals, crops = got.totals.set_index("nutrient"), got.by_crop.set_index(["crop", "nutrient"])
    for nutrient, mine in got.table.groupby("nutrient"):
        for name in ("uptake", "removed"):
            known = [v for v in mine[f"{name}_field"] if v == v]
            assert totals.loc[nutrient, name] == pytest.approx(sum(known))
            assert totals.loc[nutrient, f"fields_with_{name}"] == len(known)
        for row in mine.itertuples():
            one = crops.loc[(row.crop, nutrient)]
            assert one["area"] == row.area
            assert one["removed"] == pytest.approx(np.nansum([row.removed_field]))
