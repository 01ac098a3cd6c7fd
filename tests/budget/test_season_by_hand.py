"""The season on made-up rows, every figure worked out in the test; curves against cubics by hand."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import SeasonDemand, season_demand
from fertkit.budget.season import _calendar, _knots, _published_curve, _through
from fertkit.errors import InputError, NotEstimable

POINTS = ["nutrient", "stage", "day", "gdd_f", "fraction", "bound", "source_key", "provenance", "used"]
SCALE = pd.DataFrame(
    {"stage": ["V6", "R1", "R5", "R6"], "days": [10.0, 20.0, 30.0, 40.0],
     "gdd_f": [200.0, 500.0, 800.0, 1000.0],
     "source_key": "FEHR1977", "provenance": ["from_memory", "found", "found", "found"]}
)  # fmt: skip


def points(*rows):
    rows = [dict(zip(POINTS, row, strict=True)) for row in rows]
    return pd.DataFrame(rows, columns=POINTS).astype({"bound": bool, "used": bool})


PLACED = points(
    ("all", "V6", 10.0, 200.0, 0.15, True, "STRACHAN", "found", False),
    ("N", "V6", 10.0, 200.0, 0.11, True, "STRACHAN", "found", False),
    ("N", "R5", 30.0, 800.0, 0.95, True, "STRACHAN", "found", False),
    ("N", "R1 (about)", 20.0, 500.0, 0.4, False, "SNYDER2000", "found", True),
    ("N", "R1", 20.0, 500.0, 0.5, False, "BARTH2018", "from_memory", True),
    ("N", "R5 (full)", 30.0, 800.0, 0.75, False, "SNYDER2000", "found", True),
    ("N", "R5", 30.0, 800.0, 0.9, False, "STRACHAN", "found", False),
    ("K2O", "R1", 20.0, 500.0, 0.5, False, "SNYDER2000", "found", True),
    ("K2O", "R5", 30.0, 800.0, 0.7, False, "SNYDER2000", "found", True),
    ("K2O", "", 35.0, 900.0, 0.9, False, "SNYDER2000", "found", True),
    ("P2O5", "R5", 30.0, 800.0, 0.8, False, "SNYDER2000", "found", True),
)


def test_knots_are_means_of_one_place_and_bounds_before_the_first():
    knots, bounds = _knots(PLACED, "N", SCALE, "day")
    assert knots.to_dict() == pytest.approx({0.0: 0.0, 20.0: 0.45, 30.0: 0.75, 40.0: 1.0})
    assert bounds.to_dict() == {10.0: 0.11}  # the strictest of two; none after the first point
    knots, bounds = _knots(PLACED, "K2O", SCALE, "day")
    assert knots.to_dict() == {0.0: 0.0, 20.0: 0.5, 30.0: 0.7, 35.0: 0.9, 40.0: 1.0}
    assert bounds.to_dict() == {10.0: 0.15}
    at_heat, bounds = _knots(PLACED, "N", SCALE, "gdd")
    assert at_heat.to_dict() == pytest.approx({0.0: 0.0, 500.0: 0.45, 800.0: 0.75, 1000.0: 1.0})
    assert bounds.to_dict() == {200.0: 0.11}
    at_once = PLACED.assign(day=PLACED["day"].where(~PLACED["bound"], 20.0))
    assert _knots(at_once, "N", SCALE, "day")[1].empty  # a bound on the day of the first point says nothing


def test_knots_of_the_user_end_at_the_last_and_may_fall_for_potassium_alone():
    own = points(*(("K2O", "", day, np.nan, f, False, "own points", "own table", True)
                   for day, f in [(20.0, 0.9), (30.0, 0.9), (36.0, 0.7)]))  # fmt: skip
    assert _knots(own, "K2O", None, "day")[0].to_dict() == {0.0: 0.0, 20.0: 0.9, 30.0: 0.9, 36.0: 0.7}
    for name in ("N", "P2O5"):
        with pytest.raises(InputError, match=f"cumulative {name} falls"):
            _knots(own.assign(nutrient=name), name, None, "day")
        level = own[own["day"] < 36].assign(nutrient=name)
        assert _knots(level, name, None, "day")[0].iloc[-1] == 0.9  # level is no fall


def hermite(x, x0, x1, y0, y1, m0, m1):
    """Cubic through two ends with their slopes."""
    t, h = (x - x0) / (x1 - x0), x1 - x0
    return (
        (1 + 2 * t) * (1 - t) ** 2 * y0 + t * (1 - t) ** 2 * h * m0 + t * t * (3 - 2 * t) * y1
        + t * t * (t - 1) * h * m1
    )  # fmt: skip


def test_curve_through_the_points_is_the_cubic_of_fritsch_and_carlson():
    # even knots, secants .01, .01, .005: slopes are harmonic means, .01 and 2/300; 0 at emergence;
    # at the last the one-sided three-point slope of the secants: (3 x .005 - .01) / 2 = .0025
    knots = pd.Series({0.0: 0.0, 40.0: 0.4, 80.0: 0.8, 120.0: 1.0})
    slopes = [0.0, 0.01, 2 / 300, 0.0025]
    for ripe, last in ((False, 0.0025), (True, 0.0)):
        curve, ends = _through(knots, ripe), [*slopes[:-1], last]
        for k, x in ((0, 13.0), (1, 55.0), (2, 101.0)):
            x0, x1 = knots.index[k], knots.index[k + 1]
            by_hand = hermite(x, x0, x1, knots[x0], knots[x1], ends[k], ends[k + 1])
            assert float(curve(x)) == pytest.approx(by_hand)


def test_published_points_two_humps_apart_are_joined_with_their_bounds():
    knots = pd.Series({0.0: 0.0, 20.0: 0.45, 90.0: 0.55, 113.0: 1.0})
    curve, kind, misfit, spread = _published_curve(knots, pd.Series({10.0: 0.05}))
    assert (kind, misfit, spread) == ("through the points", 0.0, 0.05)
    assert float(curve(10.0)) == pytest.approx(0.05)
    assert [float(curve.derivative()(x)) for x in (0.0, 113.0)] == pytest.approx([0, 0], abs=1e-12)
    easy = _published_curve(pd.Series({0.0: 0.0, 50.0: 0.5, 100.0: 1.0}), pd.Series(dtype=float))
    assert easy[1] == "one peak"
    assert easy[2] == pytest.approx(0, abs=1e-3)


def test_own_points_from_request_to_rows():
    own = pd.DataFrame({"nutrient": "N", "day": [40, 80, 119.5], "fraction": [0.4, 0.8, 1.0]})
    demand = season_demand("wheat", 90, points=own)
    rows = demand.table
    assert rows["day"].tolist() == list(range(121))
    total = demand.totals["uptake"].item()
    x = 55.0
    m0, m1 = 0.01, None
    h0, h1 = 40.0, 39.5
    d0, d1 = 0.01, 0.2 / 39.5
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0  # weights of the harmonic mean (Fritsch and Butland 1984)
    m1 = (w0 + w1) / (w0 / d0 + w1 / d1)
    by_hand = hermite(x, 40.0, 80.0, 0.4, 0.8, m0, m1)
    at = rows.set_index("day").loc[x]
    assert at["fraction"] == pytest.approx(by_hand)
    assert at["cumulative"] == pytest.approx(by_hand * total)
    assert rows["daily"].to_numpy() == pytest.approx(np.diff(rows["cumulative"], prepend=0.0))
    assert rows["cumulative"].iloc[0] == 0
    near = [d for d in range(121) if min(abs(d - k) for k in (0, 40, 80, 119.5)) <= 3]
    assert rows.loc[rows["near_point"], "day"].tolist() == near
    assert rows["fraction"].iloc[-1] == pytest.approx(
        1.0
    )  # day 120 lies beyond the last point, and nothing more is taken up
    assert demand.totals[["misfit", "spread"]].to_numpy().tolist() == [[0.0, 0.0]]
    assert demand.axis == "day"
    assert demand.stages.empty
    assert rows.index.tolist() == list(range(121))


def temperatures(n=50):
    """20 degree-days a day: 80 and 60 F by the 86/50 rule; days out of order."""
    frame = pd.DataFrame({"date": pd.date_range("2025-05-01", periods=n), "tmax": 80.0, "tmin": 60.0})
    return frame.iloc[::-1].reset_index(drop=True)


def test_calendar():
    assert _calendar(SCALE, PLACED, None, "F")["day"].tolist() == list(range(41))
    assert _calendar(None, PLACED, None, "F")["day"].tolist() == list(range(36))
    late = SCALE.assign(days=SCALE["days"] + 0.2)
    assert _calendar(late, PLACED, None, "F")["day"].tolist() == list(range(42))
    # 1000 degree-days at 20 a day: ripe on day 50; a season cut short ends where its days end
    full = _calendar(SCALE, PLACED, temperatures(70), "F")
    assert full["day"].tolist() == list(range(1, 51))
    assert full["gdd"].tolist() == pytest.approx([20.0 * d for d in range(1, 51)])
    assert full["date"].iloc[0] == pd.Timestamp("2025-05-01")
    assert len(_calendar(SCALE, PLACED, temperatures(30), "F")) == 30
    assert _calendar(SCALE, PLACED, temperatures(70).assign(tmax=30.0, tmin=10.0), "C")["gdd"].iloc[0] == 18.0
    for column in ("date", "tmax", "tmin"):
        with pytest.raises(InputError, match=f"column '{column}'"):
            _calendar(SCALE, PLACED, temperatures().drop(columns=column), "F")


def made(**change):
    rows = pd.DataFrame(
        [
            {"day": float(day), "nutrient": name, "fraction": day / 40, "cumulative": total * day / 40,
             "daily": total / 40, "near_point": day > 20}
            for name, total in (("N", 200.0), ("K2O", 100.0), ("P2O5", 8.0)) for day in range(41)
        ]
    )  # fmt: skip
    totals = pd.DataFrame(
        {
            "nutrient": ["N", "K2O", "P2O5"], "uptake": [200.0, 100.0, 8.0], "uptake_source": "BENDER2015",
            "provenance": ["found", "mixed", "found"],
            "curve": ["one peak", "one peak", "through the points"],
            "misfit": [0.051, 0.05, 0.0009], "spread": [0.05, 0.05, 0.05],
        }
    )  # fmt: skip
    nan = np.nan
    peaks = pd.DataFrame(
        [("N", 5.0, 30.0, "SNYDER2000", "R1", 4.0, 6.0, "scaled to this yield", "found", -16.6, 20.0),
         ("N", 5.0, 30.0, "BARTH2018", "R1", 4.5, nan, "at the yield of that study", "from_memory", nan, 20),
         ("K2O", 2.5, 31.0, "SNYDER2000", "R1", 2.0, 2.5, "scaled to this yield", "found", 0.0, 20.0),
         ("K2O", 2.5, 31.0, "BARTH2018", "R1", 2.0, 2.0, "scaled to this yield", "found", 25.0, 20.0),
         ("P2O5", 0.2, 32.0, "", "", nan, nan, "", "", nan, nan)],
        columns=["nutrient", "curve", "curve_day", "source_key", "stage", "published", "published_scaled",
                 "basis", "provenance", "difference_pct", "published_day"],
    )  # fmt: skip
    demand = SeasonDemand("soybean", 60.0, "bu/ac", "lb/ac", "day", rows, PLACED, totals, peaks, SCALE)
    return dataclasses.replace(demand, **change)


def test_stretches_are_means_from_point_to_point():
    # N: .45 of 200 lb in 20 days, .30 in 10, .25 in 10; P2O5: .8 of 8 lb in 30 days, .2 in 10; K2O has three
    rows = made().stretches
    expected = [
        ("N", 0.0, 20.0, "R1", 4.5), ("N", 20.0, 30.0, "R5", 6.0), ("N", 30.0, 40.0, "", 5.0),
        ("P2O5", 0.0, 30.0, "R5", 8 * 0.8 / 30), ("P2O5", 30.0, 40.0, "", 0.16),
    ]  # fmt: skip
    frame = pd.DataFrame(expected, columns=["nutrient", "day_from", "day_to", "to_stage", "daily"])
    pd.testing.assert_frame_equal(rows, frame, check_dtype=False)
    own = made(points=PLACED.assign(source_key="own points"))
    assert own.stretches.empty
    own = made(points=PLACED.assign(source_key=PLACED["source_key"].replace("BARTH2018", "own points")))
    assert set(own.stretches["nutrient"]) == {"P2O5"}  # one point of the user's own is enough


def test_one_day_and_every_stage():
    demand = made()
    assert demand.at(12.4)["day"].unique().tolist() == [12.0]
    assert demand.at(12.6)["cumulative"].tolist() == pytest.approx([65.0, 32.5, 2.6])
    assert demand.at(0)["day"].tolist() == demand.at(0.0)["day"].tolist() == [0.0] * 3
    assert demand.at(40)["fraction"].tolist() == [1.0] * 3
    assert demand.at(5).index.tolist() == [0, 1, 2]
    for day in (-0.1, 40.1):
        with pytest.raises(NotEstimable, match="outside the season, 0 to 40"):
            demand.at(day)
    stages = demand.by_stage
    assert stages["stage"].tolist() == [s for s in SCALE["stage"] for _ in range(3)]
    assert stages["day"].tolist() == [d for d in SCALE["days"] for _ in range(3)]
    assert stages.index.tolist() == list(range(12))
    cut = made(rows=demand.rows[demand.rows["day"].between(15, 30)])  # V6 comes before the first day told
    assert cut.by_stage["day"].unique().tolist() == [15.0, 20.0, 30.0]
    assert cut.by_stage["stage"].unique().tolist() == ["V6", "R1", "R5"]
    assert made(stages=SCALE.iloc[:0]).by_stage.empty


def test_checks_count_points_and_measure_what_is_missed():
    checks = made().checks.set_index("check")
    told = {
        "published points inside the season, N": (3, True),
        "published points inside the season, P2O5": (1, False),
        "distance of the curve from its points, N": (0.051, False),
        "distance of the curve from its points, K2O": (0.05, True),
        "N at R5 against STRACHAN": (0.75, False),  # the line is at .75 on day 30, .9 is printed
    }
    for name, (value, passed) in told.items():
        assert checks.loc[name, "value"] == pytest.approx(value)
        assert checks.loc[name, "passed"] == passed
    assert len(checks) == 7
    near = made(points=PLACED.assign(fraction=PLACED["fraction"].where(PLACED["used"], 0.85)))
    assert near.checks.set_index("check").loc["N at R5 against STRACHAN", "passed"]  # a tenth exactly
    two = made(points=PLACED[~((PLACED["nutrient"] == "K2O") & (PLACED["day"] == 35))])
    assert two.checks.set_index("check").loc["published points inside the season, K2O", "passed"]


def test_summary_line_by_line():
    first, n, k, p, last = made().summary().splitlines()
    assert first == "soybean, 60 bu/ac, 40 days from emergence [lb/ac]"
    assert n == (
        "  N     200 in all (BENDER2015); the curve follows 40% at R1, 75% at R5 (SNYDER2000), 50% at R1 "
        "(BARTH2018 [from memory]) to within 5.1% of the season; on average 4.5 a day to R1, 6 a day to R5, "
        "5 a day to maturity; published peak 6 a day (SNYDER2000), scaled to this yield; published peak "
        "4.5 a day (BARTH2018 [from memory]), at the yield of that study"
    )
    assert k == (
        "  K2O   100 in all (BENDER2015 [from memory]); the curve follows 50% at R1, 70% at R5, 90% on day "
        "35 (SNYDER2000) to within 5.0% of the season; it peaks at 2.5 a day on day 31; published peak 2.5 a "
        "day (SNYDER2000), scaled to this yield, the curve's is 0% above it; published peak 2 a day "
        "(BARTH2018), scaled to this yield, the curve's is 25% above it"
    )
    assert p.startswith("  P2O5  8 in all (BENDER2015); the curve follows 80% at R5 (SNYDER2000); on average")
    assert "on average 0.21 a day to R5, 0.16 a day to maturity" in p
    assert "one peak of daily demand is assumed; the cumulative curve runs through every point" in last
    assert last.endswith("Stages on days after emergence: FEHR1977 [from memory].")
    one = made(totals=made().totals.assign(curve="one peak", misfit=0.001))
    assert "runs through" not in one.summary()
    assert one.summary().count("to within 0.1% of the season") == 3
    lower = made(peaks=made().peaks.assign(difference_pct=-10.0))
    assert "the curve's is 10% below it" in lower.summary()
    assert "Stages" not in made(stages=SCALE.iloc[:0]).summary()


def test_sources_are_those_that_are_used_and_no_own():
    # used points, uptake, peaks and stages; STRACHAN gave bounds and a point that is not used
    keys = set(made().sources["source_key"])
    assert keys == {"SNYDER2000", "BARTH2018", "BENDER2015", "FEHR1977"}
    own = made(points=PLACED.assign(source_key="own points"), stages=SCALE.assign(source_key="own stages"))
    assert set(own.sources["source_key"]) == {"SNYDER2000", "BARTH2018", "BENDER2015"}
    with pytest.raises(dataclasses.FrozenInstanceError):
        own.unit = "kg/ha"


def test_what_was_asked_is_what_is_drawn():
    demand = season_demand("corn", 200, nutrients=["K", "N"])
    assert set(demand.nutrients) == {"K2O", "N"}
    assert demand.totals.index.tolist() == [0, 1]
    assert demand.table.index.tolist() == list(range(len(demand.table)))
    with pytest.raises(NotEstimable, match="no degree-day scale"):
        season_demand("corn", 200, stage_days={"V6": 26, "R6": 120}, temperatures=temperatures())
    own = pd.DataFrame({"nutrient": "N", "day": [40, 80], "fraction": [0.4, 1.0]})
    with pytest.raises(NotEstimable, match="no degree-day scale"):  # own days are on no heat
        season_demand("corn", 200, points=own, temperatures=temperatures())
    with pytest.raises(NotEstimable, match="no point of cumulative uptake is published"):
        season_demand("corn", 200, points=own.assign(nutrient="Zz"))
    by_stage = own.drop(columns="day").assign(stage=["V14", "R6"])
    drawn = season_demand("corn", 200, points=by_stage)
    assert drawn.points["day"].tolist() == [52.0, 120.0]  # V14 and R6 of the published scale (LAUER1997)
    moved = season_demand("corn", 200, points=own, stage_days={"V6": 20, "R6": 110})
    assert moved.stages["stage"].tolist() == ["V6", "R6"]
