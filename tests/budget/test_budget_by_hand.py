"""Defaults, whole fields, farms, products, peaks, stages and heat, each worked out in the test."""

import dataclasses
import itertools
import math

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import lsq_linear

from fertkit.budget import farm_budget, nutrient_budget
from fertkit.budget.peaks import (
    BY_TOTAL,
    FROM_HIGHEST,
    SCALED,
    UNSCALED,
    _yield_factor,
    peak_table,
    published_peaks,
)
from fertkit.budget.products import cautions_of, find_product, seed_row_limit
from fertkit.budget.rates import default_order, published_rates
from fertkit.budget.studies import _with_defaults, default_rows, in_form, in_unit
from fertkit.budget.timing import (
    CELLS,
    MUST,
    PEAK,
    SHARE,
    SMOOTHNESS,
    own_points,
    season_conditions,
    stage_place,
    stage_scale,
    uptake_curve,
)
from fertkit.budget.weather import growing_degree_days
from fertkit.budget.yields import (
    amount_unit,
    far_outside,
    field_amounts,
    lb_ac_per,
    residue_share,
    yield_lb_ac,
)
from fertkit.errors import InputError, LookupFailed, NotEstimable, UnitError
from fertkit.reference import load_crops, load_table
from fertkit.reference.own import NO_TABLES
from fertkit.say.line import daily, mark, parts, short

NAN = float("nan")
KG, HA = 0.45359237, 0.40468564224  # NIST SP 811


def choose(rows, order, crop):
    """The first source of the order that gives each, those read before those remembered; one row a source."""
    trust = {"found": 0, "derived": 1, "mixed": 2}

    def place(r):
        at = order.index(r["source_key"]) if r["source_key"] in order else len(order)
        return r["provenance"] == "from_memory", at, trust.get(r["provenance"], 3), r["crop"] != crop

    ranked = sorted(rows, key=place)
    up = [r for r in ranked if not math.isnan(r["uptake"])]
    off = [r for r in ranked if not math.isnan(r["removed"])]
    if up and off and up[0]["source_key"] == off[0]["source_key"] and not math.isnan(up[0]["removed"]):
        off = up
    return up[:1], off[:1]


#: BENDER2015 comes before KSU_SOY in the order of soybean; the others are not in it.
CELLS_OF = itertools.product(
    ("BENDER2015", "KSU_SOY", "UKY142"), ("found", "mixed", "from_memory"), (NAN, 1.0), (NAN, 2.0)
)


def test_default_of_every_mix_of_sources():
    kinds = list(CELLS_OF)
    rng = np.random.default_rng(4)
    order = load_table("default_sources")
    order = order[(order["crop"] == "soybean") & (order["use"] == "needs")].sort_values("rank")
    order = order["source_key"].tolist()
    for _ in range(60):
        rows = [
            {"at": 7, "crop": crop, "nutrient": "N", "source_key": key, "provenance": told, "uptake": up,
             "removed": off, "share_removed": 0.5, "stays": 3.0, "unit": "lb/ac", "counted": "total uptake"}
            for key, told, up, off in (kinds[k] for k in rng.choice(len(kinds), 4, replace=False))
            for crop in (["soybean", "other"][rng.integers(2)],)
        ]  # fmt: skip
        rows = list({(r["crop"], r["source_key"]): r for r in rows}.values())
        frame = _with_defaults(pd.DataFrame(rows), "soybean", default_order("soybean"), None)
        up, off = choose(rows, order, "soybean")
        words = [[] for _ in rows]
        for chosen, use in ((up, "uptake"), (off, "removal")):
            for r in chosen:
                words[next(i for i, row in enumerate(rows) if row is r)].append(use)
        assert frame["default"].tolist() == [" and ".join(w) for w in words]
        got = default_rows(frame)
        if not (up or off):
            assert got.empty
            continue
        row = got.iloc[0]
        assert row["uptake_source"] == (up[0]["source_key"] if up else "")
        assert row["removed_source"] == (off[0]["source_key"] if off else "")
        same = bool(up and off and up[0] is off[0])
        assert [row["share_removed"], row["stays"]] == (
            [0.5, 3.0] if same else [pytest.approx(NAN, nan_ok=True)] * 2
        )
        assert row["uptake"] == pytest.approx(up[0]["uptake"] if up else NAN, nan_ok=True)
        assert row["removed"] == pytest.approx(off[0]["removed"] if off else NAN, nan_ok=True)


def test_amounts_of_a_field_and_as_elements():
    # 10 lb/ac on 5 ac are 50 lb; on 5 ha 5/.40469 ac; in kg .45359 of it
    assert field_amounts(10.0, 5.0, "ac", "lb/ac") == 50.0
    assert field_amounts(10.0, 5.0, "ha", "lb/ac") == pytest.approx(50 / HA)
    assert field_amounts(10.0, 5.0, "ha", "kg/ha") == pytest.approx(50 / HA * KG)
    with pytest.raises(UnitError, match="unit of area"):
        field_amounts(1.0, 1.0, "acre", "lb/ac")
    amounts = ("uptake", "harvested", "baled", "removed", "stays", "low", "high", "uptake_low", "uptake_high")
    rows = pd.DataFrame({"nutrient": ["N", "P2O5", "K2O"], **{n: [10.0, 10.0, 10.0] for n in amounts}})
    got = in_form(rows, "element")
    assert got["nutrient"].tolist() == ["N", "P", "K"]
    for name in amounts:  # 43.64 and 83.01 %
        assert got[name].tolist() == pytest.approx([10, 4.3642, 8.3013], rel=1e-4)
    assert rows["nutrient"].tolist() == ["N", "P2O5", "K2O"]
    metric = in_unit(rows.set_axis([4, 5, 6]), "kg/ha", 5.0, "ha")
    assert metric.index.tolist() == [0, 1, 2]
    assert metric["removed"].tolist() == pytest.approx([10 * KG / HA] * 3)
    assert metric["removed_field"].tolist() == pytest.approx([50 * KG / HA] * 3)
    assert set(metric["field_unit"]) == {"kg"}
    assert "removed_field" not in in_unit(rows, "lb/ac", None, "ac")
    for area in (0.0, math.inf, -1.0):
        with pytest.raises(InputError, match="area of the field"):
            in_unit(rows, "lb/ac", area, "ac")


def test_a_mixed_farm_field_by_field_with_straw_in_every_way():
    fields = pd.DataFrame(
        {"crop": ["wheat", "wheat", "wheat", "wheat", "soybean"], "area_ac": [10.0, 20, 30, 40, 7],
         "yield_goal_bu_ac": [80.0, 90, 70, 60, 50], "residue": ["kept", 0.5, 1, 0.25, "kept"]}
    )  # fmt: skip
    farm = farm_budget(fields)
    rows = farm.table
    assert rows["field"].drop_duplicates().tolist() == [f"row {k}" for k in range(2, 7)]
    for k, field in enumerate(fields.itertuples()):
        mine = rows[rows["field"] == f"row {k + 2}"].set_index("nutrient")
        one = nutrient_budget(field.crop, field.yield_goal_bu_ac, residue=field.residue).defaults
        one = one.set_index("nutrient").loc[mine.index]
        for name in ("uptake", "removed", "stays"):
            np.testing.assert_allclose(mine[name], one[name])
            np.testing.assert_allclose(mine[f"{name}_field"], one[name] * field.area_ac)
        assert mine["removed_source"].tolist() == one["removed_source"].tolist()
        assert mine["uptake_source"].tolist() == one["uptake_source"].tolist()
    by_crop = farm.by_crop.set_index(["crop", "nutrient"])
    assert by_crop.loc[("wheat", "N"), "area"] == 100
    wheat = rows[(rows["crop"] == "wheat") & (rows["nutrient"] == "K2O")]
    assert by_crop.loc[("wheat", "K2O"), "removed"] == pytest.approx(wheat["removed_field"].sum())
    assert by_crop.loc[("wheat", "K2O"), "unit"] == "lb"
    assert farm.summary().splitlines()[0] == "5 fields, 107 ac; amounts in lb on the whole farm."
    assert farm_budget(fields.head(1)).summary().startswith("1 field, 10 ac")
    assert list(farm.totals["nutrient"]) == ["N", "P2O5", "K2O", "S"]
    kilos = farm_budget(fields, unit="kg/ha").table
    np.testing.assert_allclose(kilos["removed_field"], rows["removed_field"] * KG)
    np.testing.assert_allclose(kilos["removed"], rows["removed"] * KG / HA)
    with pytest.raises(dataclasses.FrozenInstanceError):
        farm.area_unit = "ha"


@pytest.mark.parametrize(
    "change",
    [{"area_ac": [0.0, 1]}, {"area_ac": [math.inf, 1]}, {"area_ac": [1, "x"]},
     {"yield_goal_bu_ac": [-0.1, 5]},
     {"residue": [1.01, 0]}, {"residue": [-0.01, 0]}],
)  # fmt: skip
def test_farm_cells_that_cannot_be(change):
    fields = pd.DataFrame(
        {"crop": ["corn", "corn"], "area_ac": [1.0, 2.0], "yield_goal_bu_ac": [100.0, 120.0]}
    )
    with pytest.raises(InputError) as caught:
        farm_budget(fields.assign(**change))
    (problem,) = caught.value.problems
    assert [problem.column] == list(change)
    assert problem.row == (3 if change.get("area_ac") == [1, "x"] else 2)
    with pytest.raises(InputError, match="keep one"):
        farm_budget(fields.assign(area_ha=1.0))
    with pytest.raises(InputError, match="keep one"):
        farm_budget(fields.rename(columns={"area_ac": "Area ac"}).assign(area_ac=1.0))


def test_residue_words_and_shares():
    assert [residue_share(v) for v in ("kept", " KEPT ", 0, 1, "0.5")] == [0.0, 0.0, 0.0, 1.0, 0.5]
    assert type(residue_share("0.5")) is float
    for bad in (-0.01, 1.01, "most", None, NAN):
        with pytest.raises(InputError, match="share baled from 0 to 1"):
            residue_share(bad)


def test_numbers_said_and_adding_up():
    assert [daily(v) for v in (9.94, 9.96, 12.34, -12.34, 0.00764)] == [
        "9.9",
        "9.96",
        "12.3",
        "-12.3",
        "0.0076",
    ]
    assert [short(v) for v in (9.44, 9.5, 1234.4, -9.6, 0.0474)] == ["9.4", "10", "1,234", "-10", "0.047"]
    assert parts(328.4, 240.2) == ("328", "240", "88")
    assert parts(1500.0, 9.44) == ("1,500", "9.4", "1,490.6")
    assert parts(5.0, 5.0)[2].lstrip("-") == parts(5.0, 5.0)[2]
    assert [mark(p) for p in ("found", "from_memory", "mixed / found")] == [
        "",
        " [from memory]",
        " [from memory]",
    ]


def test_goals_in_every_unit():
    # 56 lb a bushel of corn; 2204.62 lb a tonne over 2.47105 ac; 480 lb of lint a bale
    assert lb_ac_per("bu/ac", "corn") == 56
    assert lb_ac_per("t/ha", "corn") == pytest.approx(1000 / KG * HA)
    assert lb_ac_per("bale/ac", "cotton") == 480
    # 100 bu weighed at 25 % moisture hold 75 parts of dry matter, 88.76 bu at 15.5 %
    assert yield_lb_ac("corn", 100, "bu/ac", 25) == pytest.approx(5600 * 75 / 84.5)
    assert yield_lb_ac("corn", 100, "bu/ac", 0) == pytest.approx(5600 / 0.845)
    for bad in (-0.1, 100, 101):
        with pytest.raises(InputError, match="between 0 and 100"):
            yield_lb_ac("corn", 100, "bu/ac", bad)
    assert [amount_unit(u) for u in (None, "bu/ac", "t/ha", "tonnes/ha")] == [
        "lb/ac",
        "lb/ac",
        "kg/ha",
        "kg/ha",
    ]
    # cautioned below a quarter of the lowest and above twice the highest (table constants)
    yields = [5600.0, 11200.0]
    told = [bool(far_outside("corn", 1, "bu/ac", p, yields)) for p in (1399, 1400, 22400, 22401)]
    assert told == [True, False, False, True]
    assert far_outside("corn", 1, "bu/ac", 5.0, []) == []


def test_checks_of_a_goal_against_the_yields_measured():
    # SNYDER2000 measured soybean at 40 to 70 bu: uptake is taken beyond 70 in proportion
    for goal, passed in ((69.0, True), (70.0, True), (71.0, False)):
        checks = nutrient_budget("soybean", goal, source="SNYDER2000").checks
        assert checks["passed"].tolist() == [passed] * len(checks)
        assert checks["limit"].tolist() == pytest.approx([70 * 60] * len(checks))
        assert len(checks)


def test_products_by_their_analysis():
    table = load_table("products")
    assert find_product(" UREA ")["grade"] == "46-0-0"
    with pytest.raises(LookupFailed, match="unknown product 'nitrate'"):
        find_product("nitrate")  # several hold the word
    assert (table["grade"] == find_product("ammonium nitrate")["grade"]).any()
    topics = cautions_of([find_product("anhydrous ammonia")])
    assert "ammonia" in set(topics["topic"])
    assert "anhydrous ammonia" in topics.loc[topics["topic"] == "ammonia", "product"].iloc[0]
    everyone = cautions_of([])
    assert (everyone["product"] == "").all()
    assert set(everyone["topic"]) <= set(topics["topic"])
    assert "ammonia" not in set(everyone["topic"])


def test_limits_in_the_seed_row():
    table = load_table("seed_limits", crop="corn")
    for soil, rows in table.groupby("soil"):
        known = rows.dropna(subset=["row_spacing_in"]).sort_values("row_spacing_in")
        spacings = known["row_spacing_in"].tolist()
        for at in spacings:
            assert (
                seed_row_limit("corn", at, soil)["limit_lb_ac"]
                == known.set_index("row_spacing_in").loc[at, "limit_lb_ac"]
            )
        between = seed_row_limit("corn", spacings[0] - 0.5, soil)
        assert between["row_spacing_in"] == spacings[0]
    with pytest.raises(LookupFailed, match="soil of the seed limits"):
        seed_row_limit("corn", 30, "clay")
    if not table["row_spacing_in"].isna().any():
        with pytest.raises(NotEstimable, match="wider than"):
            seed_row_limit("corn", table["row_spacing_in"].max() + 1)


def test_peaks_scaled_as_their_sources_allow():
    # BENDER2013: 8.9 kg N a day at 12.0 Mg/ha of dry corn, 226 bu; the pounds of it are 12656 at 56 lb
    at = 12.0 * 1000 / 0.845 / KG * HA
    got = published_peaks("corn", 2 * at, "kg/ha", {}, stage_scale("corn"))
    got = got.set_index(["nutrient", "source_key"]).loc[("N", "BENDER2013")]
    assert (got["published"], got["published_scaled"]) == (pytest.approx(8.9), pytest.approx(17.8))
    assert (got["basis"], got["day_from"], got["day_to"]) == (SCALED, 39.0, 52.0)
    scale = stage_scale("soybean")
    soy = published_peaks("soybean", 4800, "lb/ac", {"P2O5": 86.0}, scale)
    soy = soy.set_index(["nutrient", "source_key"])
    # ILSOY_LIB: .7 lb of P2O5 a day of 43 in the season
    assert soy.loc[("P2O5", "ILSOY_LIB"), "published_scaled"] == pytest.approx(1.4)
    assert soy.loc[("P2O5", "ILSOY_LIB"), "basis"] == BY_TOTAL
    without = published_peaks("soybean", 4800, "lb/ac", {}, scale)
    assert not without.duplicated(["nutrient", "source_key"]).any()
    without = without.set_index(["nutrient", "source_key"])
    assert without.loc[("P2O5", "ILSOY_LIB"), "basis"] == UNSCALED
    assert without["published_scaled"].isna().any()
    # SNYDER2000 prints uptake at 40, 55 and 70 bu and one peak: at most 4200 lb a pound of it
    assert _yield_factor("soybean", "SNYDER2000", 2100.0, NO_TABLES) == (pytest.approx(0.5), FROM_HIGHEST)
    assert math.isnan(_yield_factor("soybean", "NOBODY", 4200.0, NO_TABLES)[0])
    assert _yield_factor("corn", "BENDER2013", at, NO_TABLES) == (pytest.approx(1.0), SCALED)
    # MALHI_CEREALS: 2.4 to 5.2 kg N and 3.1 to 7.6 kg K (1.2046 K2O) a day, at a yield not stated
    barley = published_peaks("barley", 4000, "kg/ha", {}, stage_scale("barley")).set_index("nutrient")
    ends = ["published_low", "published_high"]
    assert barley.loc["N", ends].tolist() == pytest.approx([2.4, 5.2])
    assert barley.loc["K2O", ends].tolist() == pytest.approx([3.1 * 1.2046, 7.6 * 1.2046], rel=1e-4)


def test_the_peak_of_each_curve_beside_the_published():
    rows = pd.DataFrame(
        {"nutrient": ["N"] * 3 + ["Zz"] * 3, "day": [1.0, 2, 3] * 2, "daily": [1.0, 10.0, 3.0, 0.5, 0.2, 0.1]}
    )
    stages = pd.DataFrame({"stage": ["V10", "V14"], "days": [39.0, 52.0]})
    at = 12.0 * 1000 / 0.845 / KG * HA
    peaks = published_peaks("corn", at, "lb/ac", {"N": 255.0, "Zz": 1.0}, stages)
    got = peak_table(rows, peaks).set_index(["nutrient", "source_key"])
    n = got.loc[("N", "BENDER2013")]
    published = 8.9 / KG * HA
    assert (n["curve"], n["curve_day"]) == (10.0, 2.0)
    assert n["difference_pct"] == pytest.approx((10 / published - 1) * 100)
    assert n["published_day"] == 45.5  # V10 to V14: the middle of days 39 and 52
    z = got.loc[("Zz", "")]
    assert (z["curve_day"], z["basis"]) == (1.0, "")
    assert math.isnan(z["published"])


def test_degree_days_by_both_rules():
    # 86/50 at its limits, and the plain mean less a base in either unit, never below nothing
    assert growing_degree_days([86.0, 87.0, 50.0], [50.0, 49.0, 50.0]).tolist() == [18.0, 18.0, 0.0]
    plain = growing_degree_days(
        pd.Series([60.0, 40.0], index=[5, 6]), [50.0, 30.0], method="average", base=40.0
    )
    assert plain.tolist() == [15.0, 0.0]
    assert plain.index.tolist() == [5, 6]
    assert growing_degree_days([80.0], [80.0]).tolist() == [30.0]  # a day of one temperature
    with pytest.raises(InputError) as caught:
        growing_degree_days([80.0, NAN, 60.0, 50.0], [60.0, 50.0, NAN, 51.0])
    assert [(p.row, p.column) for p in caught.value.problems] == [(3, None), (4, None), (5, "tmin")]


def test_stages_and_points_on_days():
    scale = stage_scale("corn")
    assert scale.index.tolist() == list(range(len(scale)))
    own = stage_scale("corn", {"R6": 120, "V6": 25.5})
    assert own["stage"].tolist() == ["V6", "R6"]
    assert own["days"].tolist() == [25.5, 120.0]
    assert own.index.tolist() == [0, 1]
    assert stage_place("V6-R6", own) == 72.75
    assert stage_place("V6 (about)", own) == 25.5
    assert math.isnan(stage_place("V14", own))
    assert stage_scale("canola").empty
    assert stage_scale("wheat", {"BBCH 31": 40, "GS65": 70})["stage"].tolist() == ["Z31", "Z65"]
    points = season_conditions("soybean", stage_scale("soybean"))
    assert points["used"].any()
    ranks = load_table("default_sources")
    ranks = ranks[(ranks["crop"] == "soybean") & (ranks["use"] == "season")].set_index("source_key")["rank"]
    for _, mine in points[points["form"] == "point"].groupby("nutrient"):
        best = min(ranks.get(k, math.inf) for k in mine["source_key"])
        assert mine["used"].tolist() == [ranks.get(k, NAN) == best for k in mine["source_key"]]


@pytest.mark.parametrize(
    ("day", "fraction", "places"),
    [(0, 0.5, [(2, "day")]), (1, 1.0, []), (1, 0.0, []), (5, 1.01, [(2, "fraction")]),
     (-1, -0.01, [(2, "day"), (2, "fraction")]), ("x", "y", [(2, "day"), (2, "fraction")])],
)  # fmt: skip
def test_own_points_at_their_edges(day, fraction, places):
    frame = pd.DataFrame({"nutrient": ["P"], "day": [day], "fraction": [fraction]}, index=[8])
    if not places:
        got = own_points(frame, stage_scale("canola")).iloc[0]
        assert (got["nutrient"], got["day"], got["low"]) == ("P2O5", day, fraction)
        assert bool(got["used"])
        assert got["form"] == "point"
        assert own_points(frame, stage_scale("canola")).index.tolist() == [0]
        return
    with pytest.raises(InputError) as caught:
        own_points(frame, stage_scale("canola"))
    assert [(p.row, p.column) for p in caught.value.problems] == places


def smoothest(conditions, end, highest, window):
    """The fit of `uptake_curve` by its notes, areas by the trapezoid rule, by bounded least squares."""
    node = np.linspace(0, 1, CELLS + 1)
    fine = np.linspace(0, 1, 40 * CELLS + 1)
    hats = np.array([np.interp(fine, node, row) for row in np.eye(CELLS + 1)])
    inside = (hats[:, 1:] + hats[:, :-1]) / 2 * (fine[1] - fine[0])
    gathered = np.hstack([np.zeros((CELLS + 1, 1)), inside.cumsum(axis=1)])

    def area(at):
        """Share gathered to a place by a rate of 1 at one node and 0 at the others."""
        return np.array([np.interp(at, fine, g) for g in gathered])

    bends = np.diff(np.eye(CELLS + 1), 2, axis=0) * CELLS**1.5 * SMOOTHNESS
    best = None
    for peak in range(1, CELLS):
        if window and not (node[peak] * end >= window[0] and node[peak + 1] * end <= window[1] + end / CELLS):
            continue
        boxes = [(node >= node[a]) & (node <= node[peak]) for a in range(1, peak + 1)]
        boxes += [(node > node[peak]) & (node <= node[b]) for b in range(peak + 1, CELLS)]
        boxes = np.array(boxes, float).T
        rows, sought, slacks = [area(1.0) * MUST, *bends], [MUST, *[0.0] * len(bends)], []
        for start, stop, low, high in conditions:
            share = area(stop / end) - area(start / end)
            if low == high:
                rows, sought = [*rows, share * SHARE], [*sought, low * SHARE]
                continue
            for sign, limit in ((1, high), (-1, low)):
                slacks.append((len(rows), SHARE))
                rows, sought = [*rows, sign * share * SHARE], [*sought, sign * limit * SHARE]
        if np.isfinite(highest):
            for k in (peak, peak + 1):
                slacks.append((len(rows), MUST))
                rows, sought = [*rows, np.eye(CELLS + 1)[k] * MUST], [*sought, highest * end * MUST]
            if window:
                rows = [*rows, np.eye(CELLS + 1)[peak] * PEAK]
                sought = [*sought, highest * end * PEAK]
        slack = np.zeros((len(rows), len(slacks)))
        for column, (row, weight) in enumerate(slacks):
            slack[row, column] = weight
        matrix = np.hstack([np.array(rows) @ boxes, slack])
        got = lsq_linear(matrix, sought, (0, np.inf), method="bvls", tol=1e-14, max_iter=3000)
        if best is None or got.cost < best[0]:
            best = got.cost, boxes @ got.x[: boxes.shape[1]]
    return best[1] / (area(1.0) @ best[1]) / end


@pytest.mark.parametrize(
    ("conditions", "end", "highest", "window"),
    [
        (((0.0, 41.5, 0.4, 0.4), (0.0, 71.0, 0.75, 0.75)), 95.0, 0.0225, (36.0, 43.0)),
        (((0.0, 26.0, 0.0, 0.11), (39.0, 52.0, 0.211, 0.211), (0.0, 65.0, 0.44, 0.44),
          (94.6, 120.0, 0.2, 0.4)), 120.0, np.inf, ()),
        (((0.0, 62.0, 0.55, 0.55),), 104.0, 0.0171, ()),
    ],
)  # fmt: skip
def test_the_curve_is_the_best_of_an_independent_search(conditions, end, highest, window):
    # soybean K (SNYDER2000, BENDER2015_PAGE), corn P (BENDER2013, BENDER_AGPRO, STRACHAN), soybean P
    # (ILSOY_LIB)
    assert (SHARE, MUST, PEAK, SMOOTHNESS, CELLS) == (100.0, 1e4, 1.0, 1e-3, 30)
    rate = smoothest(conditions, end, highest, window)
    curve = uptake_curve(conditions, end, 0.02, highest, window)
    assert curve.kind == "one peak"
    assert curve.rate == pytest.approx(rate, abs=1e-5)
    fine = np.linspace(0, end, 20_001)
    level = np.interp(fine, curve.nodes, curve.rate)
    gathered = np.r_[0, ((level[1:] + level[:-1]) / 2).cumsum() * (fine[1] - fine[0])]
    at = np.array([0.0, 10.0, 60.5, end, end + 20])
    assert curve(at) == pytest.approx(np.interp(at, fine, gathered), abs=1e-6)
    share = [np.interp(b, fine, gathered) - np.interp(a, fine, gathered) for a, b, *_ in conditions]
    missed = [max(low - got, got - high, 0) for got, (*_, low, high) in zip(share, conditions, strict=True)]
    assert curve.misfit == pytest.approx(max(missed), abs=1e-5)
    assert curve.rate.max() <= highest * 1.001
    for array in (curve.rate, curve.nodes):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        curve.misfit = 0.0


def test_every_crop_of_the_table_has_its_weight():
    crops = load_crops().set_index("crop")
    for crop in sorted({r.crop for c in ("corn", "soybean", "wheat") for r in published_rates(c)}):
        assert lb_ac_per("bu/ac", crop) == pytest.approx(crops.loc[crop, "bushel_lb"])


def test_straw_of_a_metric_answer_is_told_by_the_tonne():
    # RB209_2020 prints 2 kg P2O5 and 13 kg K2O in a tonne of rape straw
    metric = nutrient_budget("canola", 4, yield_unit="t/ha", residue=1, unit="kg/ha")
    assert any("straw [kg/t]: 2 P2O5, 13 K2O." in text for text in metric.notes)
