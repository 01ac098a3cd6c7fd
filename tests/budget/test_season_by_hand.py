"""The season on made-up rows, every figure worked out in the test; curves against cubics by hand."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import season_demand
from fertkit.budget.peaks import published_peaks
from fertkit.budget.season import SeasonDemand, _calendar, _own_curve, _published_curve
from fertkit.errors import InputError, LookupFailed, NotEstimable

CONDITIONS = ["nutrient", "stage", "form", "day", "gdd_f", "low", "high", "source_key", "provenance", "used"]
SCALE = pd.DataFrame(
    {"stage": ["V6", "R1", "R5", "R6"], "days": [10.0, 20.0, 30.0, 40.0],
     "gdd_f": [200.0, 500.0, 800.0, 1000.0],
     "source_key": "FEHR1977", "provenance": ["from_memory", "found", "found", "found"]}
)  # fmt: skip


def conditions(*rows):
    """Shares from emergence on: nutrient, stage, day, degree-days, low, high, source, provenance, used."""
    made = []
    for name, stage, day, gdd, low, high, *rest in rows:
        form = "point" if low == high else "bound" if low == 0 else "interval"
        made.append((name, stage, form, day, gdd, low, high, *rest))
    return pd.DataFrame(made, columns=CONDITIONS).assign(day_from=0.0, gdd_from=0.0, joined=False)


PLACED = conditions(
    ("N", "V6", 10.0, 200.0, 0.0, 0.11, "STRACHAN", "found", True),
    ("N", "R1 (about)", 20.0, 500.0, 0.4, 0.4, "SNYDER2000", "found", True),
    ("N", "R1", 20.0, 500.0, 0.5, 0.5, "BARTH2018", "from_memory", True),
    ("N", "R5 (full)", 30.0, 800.0, 0.75, 0.75, "SNYDER2000", "found", True),
    ("N", "R5", 30.0, 800.0, 0.9, 0.9, "STRACHAN", "found", False),
    ("K2O", "R1", 20.0, 500.0, 0.5, 0.5, "SNYDER2000", "found", True),
    ("K2O", "R5", 30.0, 800.0, 0.7, 0.7, "SNYDER2000", "found", True),
    ("K2O", "", 35.0, 900.0, 1.0, 1.0, "SNYDER2000", "found", True),
    ("P2O5", "R5", 30.0, 800.0, 0.8, 0.8, "SNYDER2000", "found", True),
)


def published(nutrient, axis="day", peaks=None, uptake=100.0):
    mine = PLACED[PLACED["used"] & (PLACED["nutrient"] == nutrient)]
    none = published_peaks("corn", 1.0, "lb/ac", {}, SCALE).iloc[:0]
    return _published_curve(mine, SCALE, axis, uptake, none if peaks is None else peaks)


def test_a_curve_ends_where_all_is_taken_up_and_meets_the_shares():
    curve, end, kind, misfit, spread, known = published("K2O")
    # 2 % a day between the shares and 6 % after them: no one peak
    assert (end, kind, spread, known) == (35.0, "more than one rise", 0.05, 3)
    assert curve([20.0, 30.0, 35.0, 40.0]) == pytest.approx([0.5, 0.7, 1.0, 1.0], abs=0.02)
    assert misfit <= 0.02
    _, end, kind, *_ = published("P2O5")
    assert (end, kind) == (40.0, "one peak")  # no end is published: maturity
    curve, end, *_ = published("K2O", "gdd")
    assert end == 900.0
    assert curve([500.0, 900.0]) == pytest.approx([0.5, 1.0], abs=0.02)
    # N: .4 and .5 by one day, at most .11 by day 10; the two are missed alike, so that no one peak is kept
    curve, _, kind, misfit, *_ = published("N")
    assert curve([20.0])[0] == pytest.approx(0.45, abs=0.01)
    assert (kind, misfit) == ("more than one rise", pytest.approx(0.05, abs=0.01))
    assert curve([10.0])[0] <= 0.111


def test_a_published_peak_is_not_exceeded_and_where_it_has_a_time_it_is_reached():
    # 100 lb in all: 5 lb a day is 5 % a day
    peak = {"nutrient": "P2O5", "published_scaled": 5.0, "listed": True}
    free = pd.DataFrame([peak | {"day_from": np.nan, "day_to": np.nan}])
    curve, *_, known = published("P2O5", peaks=free)
    assert curve.rate.max() <= 0.05 * 1.001
    assert known == 1
    curve, *_, known = published("P2O5", peaks=free.assign(day_from=20.0, day_to=25.0))
    assert curve.rate.max() == pytest.approx(0.05, rel=0.02)
    assert 20 - 40 / 30 <= curve.nodes[curve.rate.argmax()] <= 25 + 40 / 30
    assert known == 2


def own(*shares, nutrient="K2O"):
    return conditions(*((nutrient, "", d, np.nan, f, f, "own points", "own table", True) for d, f in shares))


def test_own_points_may_fall_for_potassium_alone():
    falls = own((20.0, 0.9), (30.0, 0.9), (36.0, 0.7))
    curve, end, kind, misfit, spread, _ = _own_curve(falls, "K2O")
    assert (end, kind, misfit, spread) == (36.0, "through the points", 0.0, 0.0)
    assert curve(np.array([20.0, 30.0, 36.0, 50.0])) == pytest.approx([0.9, 0.9, 0.7, 0.7])
    for name in ("N", "P2O5"):
        with pytest.raises(InputError, match=f"cumulative {name} falls"):
            _own_curve(falls, name)
        assert _own_curve(falls[falls["day"] < 36], name)[1] == 30.0  # level is no fall


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
    knots = {0.0: 0.0, 40.0: 0.4, 80.0: 0.8, 120.0: 1.0}
    slopes = [0.0, 0.01, 2 / 300, 0.0025]
    curve = _own_curve(own(*list(knots.items())[1:]), "N")[0]
    for k, x in ((0, 13.0), (1, 55.0), (2, 101.0)):
        x0, x1 = list(knots)[k], list(knots)[k + 1]
        by_hand = hermite(x, x0, x1, knots[x0], knots[x1], slopes[k], slopes[k + 1])
        assert float(curve(x)) == pytest.approx(by_hand)


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
    assert demand.totals[["misfit", "spread", "end"]].to_numpy().tolist() == [[0.0, 0.0, 119.5]]
    assert demand.axis == "day"
    assert demand.stages.empty
    assert rows.index.tolist() == list(range(121))


def temperatures(n=50):
    """20 degree-days a day: 80 and 60 F by the 86/50 rule; days out of order."""
    frame = pd.DataFrame({"date": pd.date_range("2025-05-01", periods=n), "tmax": 80.0, "tmin": 60.0})
    return frame.iloc[::-1].reset_index(drop=True)


def test_calendar():
    assert _calendar(SCALE, PLACED, None, "F")["day"].tolist() == list(range(41))
    assert _calendar(SCALE.iloc[:0], PLACED, None, "F")["day"].tolist() == list(range(36))
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
            "nutrient": ["N", "K2O", "P2O5"], "uptake": [200.0, 100.0, 8.0], "counted": "total uptake",
            "uptake_source": "BENDER2015", "uptake_provenance": ["found", "mixed", "found"],
            "end": [40.0, 35.0, 40.0], "curve": ["one peak", "one peak", "more than one rise"],
            "misfit": [0.021, 0.02, 0.0009], "spread": [0.05, 0.05, 0.05], "known": [2, 3, 1],
            "at_harvest": [np.nan, 60.0, np.nan], "loss_source": ["", "GREGORY1979", ""],
        }
    )  # fmt: skip
    nan = np.nan
    peaks = pd.DataFrame(
        [("N", 5.0, 30.0, "SNYDER2000", "R1", 4.0, 6.0, "scaled to this yield", "found", -16.6),
         ("N", 5.0, 30.0, "BARTH2018", "R1", 4.5, nan, "at the yield of that study", "from_memory", nan),
         ("K2O", 2.5, 31.0, "SNYDER2000", "R1", 2.0, 2.5, "scaled to this yield", "found", 0.0),
         ("K2O", 2.5, 31.0, "BARTH2018", "R1", 2.0, 2.0, "scaled to this yield", "found", 25.0),
         ("P2O5", 0.2, 32.0, "", "", nan, nan, "", "", nan)],
        columns=["nutrient", "curve", "curve_day", "source_key", "stage", "published", "published_scaled",
                 "basis", "provenance", "difference_pct"],
    )  # fmt: skip
    peaks = peaks.assign(published_low=peaks["published"], published_high=peaks["published"] + 0.5,
                         day_from=20.0, day_to=20.0, published_day=20.0)  # fmt: skip
    demand = SeasonDemand("soybean", 60.0, "bu/ac", "lb/ac", "day", rows, PLACED, totals, peaks, SCALE)
    return dataclasses.replace(demand, **change)


def test_stretches_are_means_from_point_to_point():
    # N: .45 of 200 lb in 20 days, .30 in 10, .25 in 10; P2O5: .8 of 8 lb in 30 days, .2 in 10; of K2O three
    # conditions are known
    rows = made().stretches
    expected = [
        ("N", 0.0, 20.0, "R1", 4.5), ("N", 20.0, 30.0, "R5", 6.0), ("N", 30.0, 40.0, "", 5.0),
        ("P2O5", 0.0, 30.0, "R5", 8 * 0.8 / 30), ("P2O5", 30.0, 40.0, "", 0.16),
    ]  # fmt: skip
    frame = pd.DataFrame(expected, columns=["nutrient", "day_from", "day_to", "to_stage", "daily"])
    pd.testing.assert_frame_equal(rows, frame, check_dtype=False)
    assert made(totals=made().totals.assign(known=np.inf)).stretches.empty
    few = made(totals=made().totals.assign(known=2)).stretches
    ended = few[few["nutrient"] == "K2O"]  # .5 of 100 lb in 20 days, .2 in 10, .3 in 5, and nothing after
    assert ended["daily"].tolist() == pytest.approx([2.5, 2.0, 6.0])
    assert ended["day_to"].tolist() == [20.0, 30.0, 35.0]


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
    cut = made(table=demand.table[demand.table["day"].between(15, 30)])  # V6 comes before the first day told
    assert cut.by_stage["day"].unique().tolist() == [15.0, 20.0, 30.0]
    assert cut.by_stage["stage"].unique().tolist() == ["V6", "R1", "R5"]
    assert made(stages=SCALE.iloc[:0]).by_stage.empty


def test_checks_count_points_and_measure_what_is_missed():
    checks = made().checks.set_index("check")
    told = {
        "published shares of the season, N": (3, True),
        "published shares of the season, P2O5": (1, False),
        "distance of the curve from what is published, N": (0.021, False),
        "distance of the curve from what is published, K2O": (0.02, True),
        "N at R5 against STRACHAN": (0.75, False),  # the line is at .75 on day 30, .9 is printed
    }
    for name, (value, passed) in told.items():
        assert checks.loc[name, "value"] == pytest.approx(value)
        assert checks.loc[name, "passed"] == passed
    assert len(checks) == 7
    near = made(points=PLACED.assign(low=PLACED["low"].where(PLACED["used"], 0.85)))
    assert near.checks.set_index("check").loc["N at R5 against STRACHAN", "passed"]  # a tenth exactly
    two = made(points=PLACED[~((PLACED["nutrient"] == "K2O") & (PLACED["day"] == 35))])
    assert two.checks.set_index("check").loc["published shares of the season, K2O", "passed"]


def test_summary_line_by_line():
    first, n, k, p, last, memory = made().summary().splitlines()
    assert first == "soybean, 60 bu/ac, 40 days from emergence [lb/ac]"
    assert n == (
        "  N     total uptake 200 lb/ac [BENDER2015]; on average 4.5 a day to R1, 6 a day to R5, 5 a day to "
        "maturity; curve through 40% by R1, 75% by R5 [SNYDER2000], 50% by R1 [BARTH2018] (within 2.1% of "
        "the season); published peak 6 a day [SNYDER2000], scaled to this yield; published peak 4.5 to 5 a "
        "day [BARTH2018], at the yield of that study"
    )
    assert k == (
        "  K2O   total uptake 100 lb/ac [BENDER2015]; peak 2.5 a day on day 31; curve through 50% by R1, "
        "70% by R5, 100% by day 35 [SNYDER2000] (within 2.0% of the season); published peak 2.5 a day "
        "[SNYDER2000], scaled to this yield, equal to the curve's; published peak 2 a day [BARTH2018], "
        "scaled to this yield; the curve's peak is 25% above it; content at harvest 60; 40 lost with "
        "fallen leaves and rain after flowering [GREGORY1979]"
    )
    assert p.startswith(
        "  P2O5  total uptake 8 lb/ac [BENDER2015]; on average 0.21 a day to R5, 0.16 a day to maturity"
    )
    assert "one daily peak where shares allow it, several peaks where they" in last
    assert last.endswith("Days of stages after emergence: [FEHR1977].")
    # of the table: BENDER2015 of K2O, BARTH2018 and FEHR1977 alone are remembered
    remembered = "figures of BENDER2015, BARTH2018, FEHR1977 are from memory: check before use."
    assert memory == f"Note: {remembered}"
    one = made(totals=made().totals.assign(curve="one peak", misfit=0.001))
    assert "several peaks" not in one.summary()
    assert one.summary().count("(within 0.1% of the season)") == 3
    lower = made(peaks=made().peaks.assign(difference_pct=-10.0))
    assert "the curve's peak is 10% below it" in lower.summary()
    assert "Days of stages" not in made(stages=SCALE.iloc[:0]).summary()
    joined = made(points=PLACED.assign(joined=PLACED["source_key"] == "BARTH2018"))
    assert "75% by R5 [SNYDER2000], 50% by R1 [BARTH2018], another study (within" in joined.summary()


def test_sources_are_those_that_are_used_and_no_own():
    # used points and bounds, uptake, loss, peaks and stages
    keys = set(made().sources["source_key"])
    assert keys == {"SNYDER2000", "BARTH2018", "BENDER2015", "FEHR1977", "STRACHAN", "GREGORY1979"}
    own = made(points=PLACED.assign(source_key="own points"), stages=SCALE.assign(source_key="own stages"))
    assert set(own.sources["source_key"]) == {"SNYDER2000", "BARTH2018", "BENDER2015", "GREGORY1979"}
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
    with pytest.raises((NotEstimable, LookupFailed), match=r"no published share of season|unknown nutrient"):
        season_demand("corn", 200, points=own.assign(nutrient="Zz"))
    by_stage = own.drop(columns="day").assign(stage=["V14", "R6"])
    drawn = season_demand("corn", 200, points=by_stage)
    assert drawn.points["day"].tolist() == [52.0, 120.0]  # V14 and R6 of the published scale (LAUER1997)
    moved = season_demand("corn", 200, points=own, stage_days={"V6": 20, "R6": 110})
    assert moved.stages["stage"].tolist() == ["V6", "R6"]
