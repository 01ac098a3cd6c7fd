"""Supply against demand, recomputed day by day in plain loops on a season made by hand."""

import dataclasses
import math

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import supply_gap
from fertkit.budget.season import SeasonDemand
from fertkit.errors import InputError

DAYS = range(21)
#: Made-up totals and spreads: N known to 5 % of the season in its middle, K2O exactly.
TOTALS = pd.DataFrame({"nutrient": ["N", "K2O"], "uptake": [200.0, 100.0], "spread": [0.05, 0.0]})
STAGES = pd.DataFrame({"stage": ["VE", "V1", "V3", "R1", "R6"], "days": [0.0, 1.0, 6.0, 12.0, 20.0]})


def share(nutrient, day):
    """N in even steps; K2O as the square of the time."""
    return day / 20 if nutrient == "N" else (day / 20) ** 2


def made(*, dated=False):
    rows = [
        {"day": float(day), "nutrient": name, "fraction": share(name, day), "near_point": day in (4, 13),
         "cumulative": share(name, day) * (200 if name == "N" else 100), "daily": 0.0}
        for name in ("N", "K2O") for day in DAYS
    ]  # fmt: skip
    rows = pd.DataFrame(rows)
    if dated:
        rows = rows[rows["day"] > 0].reset_index(drop=True)
        rows["date"] = pd.Timestamp("2025-05-01") + pd.to_timedelta(rows["day"] - 1, unit="D")
    points = pd.DataFrame({"source_key": [], "used": pd.Series([], dtype=bool)})
    return SeasonDemand(
        "corn", 100.0, "bu/ac", "lb/ac", "day", rows, points, TOTALS, pd.DataFrame({"source_key": []}), STAGES
    )


APPLIED = pd.DataFrame(
    {
        "nutrient": ["N", "N", "K2O", "N"],
        "rate": [50.0, 40.0, 0.5, 30.0],
        "day": [5, 9, 3, -2],
        "delay_low_days": [0, 1, 0, 4.0],
        "delay_high_days": [0, 6, 2, 9.5],
        "label": ["a", "b", "c", "d"],
    },
    index=[7, 3, 9, 1],
)
SOIL = {"N": 60.0, "K2O": 30.0}


def supply_by_loop(nutrient, day, soil, which, applied):
    usable = applied["day"] + applied[f"delay_{which}_days"]
    mine = (applied["nutrient"] == nutrient) & (usable <= day)
    return soil.get(nutrient, 0) * day / 20 + applied.loc[mine, "rate"].sum()


def rows_by_loop(soil, applied):
    for name in ("N", "K2O"):
        total = 200 if name == "N" else 100
        for day in DAYS:
            f = share(name, day)
            open_to = 4 * f * (1 - f) * (0.05 if name == "N" else 0) * total
            early, late = (supply_by_loop(name, day, soil, w, applied) for w in ("low", "high"))
            yield {
                "day": day, "nutrient": name, "demand": f * total, "demand_low": f * total - open_to,
                "demand_high": f * total + open_to, "supply_early": early, "supply_late": late,
                "gap_early": max(f * total - early, 0), "gap_late": max(f * total - late, 0),
            }  # fmt: skip


def gap_by_loop(rows, nutrient, delay):
    """First days, sizes and stage of one gap; short is by more than a thousandth of the demand."""
    mine = [r for r in rows if r["nutrient"] == nutrient]
    supply = "supply_early" if delay == "shortest" else "supply_late"
    least = max(r["demand"] for r in mine) / 1000
    first, size = {}, {}
    for name in ("demand", "demand_low", "demand_high"):
        gaps = [max(r[name] - r[supply], 0) for r in mine]
        first[name] = next((r["day"] for r, g in zip(mine, gaps, strict=True) if g > least), math.nan)
        size[name] = max(gaps)
        if name == "demand":
            at, end = mine[int(np.argmax(gaps))]["day"], gaps[-1]
    day = first["demand"]
    stage = [s for s, d in zip(STAGES["stage"], STAGES["days"], strict=True) if 0 < d <= day]
    return {
        "nutrient": nutrient, "delay": delay, "first_day": day, "first_day_from": first["demand_high"],
        "first_day_to": first["demand_low"], "interpolated": not math.isnan(day) and day not in (4, 13),
        "stage": stage[-1] if stage else "", "largest_gap": size["demand"],
        "largest_gap_low": size["demand_low"], "largest_gap_high": size["demand_high"],
        "largest_gap_day": at, "gap_at_end": end,
    }  # fmt: skip


CASES = [
    (SOIL, APPLIED),
    ({"N": 0.0, "K2O": 0.0}, APPLIED.iloc[:0]),
    ({"N": 195.0, "K2O": 99.0}, APPLIED.iloc[[2]]),
    ({"N": 198.0}, None),
    ({"N": 199.9}, None),  # short by half a thousandth at the end: rounding
    ({"N": 100.0}, APPLIED.iloc[[0, 2]]),
    ({"N": 10.0}, pd.DataFrame({"nutrient": ["N", "K2O"], "rate": [30.0, 55.0], "day": [0, -5]})),
    ({"K2O": 20.0}, pd.DataFrame({"nutrient": ["K2O"], "rate": [0.3], "day": [4]})),
]


@pytest.mark.parametrize(("soil", "applied"), CASES)
def test_every_day_and_every_gap(soil, applied):
    result = supply_gap(made(), soil, applied)
    full = pd.DataFrame({"nutrient": [], "rate": [], "day": []}) if applied is None else applied
    full = full.assign(**{n: full.get(n, 0.0) for n in ("delay_low_days", "delay_high_days")})
    given = [n for n in ("N", "K2O") if n in soil or n in set(full["nutrient"])]
    rows = [r for r in rows_by_loop(soil, full) if r["nutrient"] in given]
    expected = pd.DataFrame(rows).astype({"day": float})
    pd.testing.assert_frame_equal(result.table[list(expected)], expected, rtol=1e-12, atol=1e-9)
    assert set(result.table) == set(expected)
    gaps = [gap_by_loop(rows, n, delay) for n in given for delay in ("shortest", "longest")]
    pd.testing.assert_frame_equal(result.gaps, pd.DataFrame(gaps), check_dtype=False, rtol=1e-12, atol=1e-9)
    assert result.applications.index.tolist() == list(range(len(full)))
    assert result.applications["rate"].tolist() == full["rate"].tolist()
    with pytest.raises(dataclasses.FrozenInstanceError):
        result.gaps = None


def test_a_gap_of_just_a_thousandth_is_rounding():
    # The soil gives 100 d/20 and the crop takes 100 (d/20)^2 of K2O, so they meet at the end; with a lump of
    # demand of exactly 0.1 lb left over (a thousandth of 100) nothing is short, with 0.11 lb it is.
    season = made()
    for lump, short in ((0.1, False), (0.11, True), (0.149, True)):
        rows = season.table.assign(cumulative=0.0)
        rows.loc[rows["day"] == 20, "cumulative"] = 100.0
        demand = dataclasses.replace(season, table=rows)
        gap = supply_gap(demand, {"K2O": 100.0 - lump}).gaps.iloc[0]
        # 100 - (100 - 0.1) is 0.09999999999999432 in binary: below the thousandth
        assert (gap["first_day"] == 20) == short


def test_dates_count_from_the_first_of_the_season():
    # Day 1 is 1 May, so 6 May is day 6: of 10 lb given then nothing is there on day 5, all on day 6.
    when = pd.DataFrame({"nutrient": ["N", "K2O"], "rate": [10.0, 4.0], "date": ["2025-05-06", "2025-05-01"]})
    result = supply_gap(made(dated=True), {}, when)
    assert result.applications["day"].tolist() == [6.0, 1.0]
    table = result.table[result.table["nutrient"] == "N"].set_index("day")
    assert table.loc[[5.0, 6.0], "supply_early"].tolist() == [0.0, 10.0]
    assert table.loc[6.0, "date"] == pd.Timestamp("2025-05-06")
    both = when.assign(day=[2, 3])  # a day wins over a date
    assert supply_gap(made(dated=True), {}, both).applications["day"].tolist() == [2.0, 3.0]


def test_delays_that_make_no_difference_are_told_once():
    result = supply_gap(made(), SOIL, APPLIED)
    # half a pound of K2O two days later moves no gap
    assert result.distinct["delay"].tolist() == ["shortest", "longest", ""]
    assert result.distinct.index.tolist() == [0, 1, 2]
    even = supply_gap(made(), SOIL, APPLIED.iloc[[0]])
    assert even.distinct[["nutrient", "delay"]].to_numpy().tolist() == [["N", ""], ["K2O", ""]]
    assert even.distinct.index.tolist() == [0, 1]


def test_what_is_said_of_a_gap():
    # N: 200 d/20 taken up, 100 d/20 given: half of every day is lacking, 100 lb at the end, from day 1 on;
    # with the spread from day 1 (10 + 4 x .05 x .95 x .05 x 200 = 11.9 lb against 5) to 1 (8.1 against 5).
    said = supply_gap(made(), {"N": 100.0}).summary()
    assert "N     short from about day 1, after V1 (interpolated); at most 100" in said
    assert "at most 100 on day 20; 100 at the end" in said
    assert "known to 5% mid-season" in said
    # 40 lb given at once are used up on day 4 (40 lb taken up), so day 5 is short, day 4 with the highest
    # demand (40 + 4 x .2 x .8 x 10 = 46.4) and day 5 with the lowest (50 - 7.5 = 42.5 against 40)
    once = supply_gap(made(), {}, pd.DataFrame({"nutrient": ["N"], "rate": [40.0], "day": [0]}))
    assert "short from about day 5, after V1 (day 4 to 5; interpolated)" in once.summary()
    # 190 lb at once: short on day 20, of 200 lb, by 10; with the highest demand on day 18, when
    # 180 + 4 x .9 x .1 x 10 = 183.6 is not yet, on day 19 190 + 1.9 = 191.9 is
    late = supply_gap(made(), {}, pd.DataFrame({"nutrient": ["N"], "rate": [190.0], "day": [0]}))
    assert "short from about day 20, after R6 (day 19 to 20; interpolated)" in late.summary()
    # K2O is exact and day 13 has a point: 100 x .65^2 = 42.25 against 42 given at once, and .6^2 = 36 before
    exact = supply_gap(made(), {}, pd.DataFrame({"nutrient": ["K2O"], "rate": [42.0], "day": [0]}))
    assert "K2O   short from day 13, after R1; at most 58 on day 20; 58 at the end" in exact.summary()
    # an even supply of all of it falls short of the highest demand alone
    even = supply_gap(made(), {"N": 200.0}).summary()
    assert "short only at the highest demand, from day 1" in even
    # 184 d/20 and 16 lb on day 12: .8 d is lacking until then, but .8 d - 2 d (1 - d/20) < 0 at the lowest
    top = pd.DataFrame({"nutrient": ["N"], "rate": [16.0], "day": [12]})
    less = supply_gap(made(), {"N": 184.0}, top).summary()
    assert "(day 1 or later, perhaps never; interpolated); at most 8.8" in less
    assert "at most 8.8 (0 to 1" in less
    only = dataclasses.replace(made(), totals=TOTALS.assign(spread=0.0))
    assert "Spans" not in supply_gap(only, {"N": 100.0}).summary()


@pytest.mark.parametrize(
    ("change", "places"),
    [
        ({"rate": [-1.0, 0.0]}, [(2, "rate")]),
        ({"rate": [np.inf, 0.5]}, [(2, "rate")]),
        ({"day": [0, np.inf]}, [(3, "day")]),
        ({"delay_low_days": [-1, 0]}, [(2, "delay_low_days")]),
        ({"delay_high_days": [3, -0.5], "delay_low_days": [3, 0]},
         [(3, "delay_low_days"), (3, "delay_high_days")]),
        ({"nutrient": ["N", "Zn"]}, [(3, "nutrient")]),
    ],
)  # fmt: skip
def test_applications_that_cannot_be(change, places):
    frame = pd.DataFrame({"nutrient": ["N", "N"], "rate": [1.0, 2.0], "day": [1, 2]}, index=[5, 6])
    with pytest.raises(InputError) as caught:
        supply_gap(made(), {"N": 5.0}, frame.assign(**change))
    assert sorted((p.row, p.column) for p in caught.value.problems) == sorted(places)


def test_numbers_in_text_are_numbers():
    frame = pd.DataFrame({"nutrient": ["N"], "rate": ["12.5"], "day": ["3"], "delay_high_days": ["2"]})
    applied = supply_gap(made(), {}, frame).applications
    assert applied[["rate", "day", "delay_low_days", "delay_high_days"]].to_numpy().tolist() == [
        [12.5, 3, 0, 2]
    ]


@pytest.mark.parametrize("missing", ["nutrient", "rate", "day"])
def test_a_missing_column_is_named(missing):
    frame = pd.DataFrame({"nutrient": ["N"], "rate": [12.5], "day": [3]}).drop(columns=missing)
    with pytest.raises(InputError) as caught:
        supply_gap(made(), {}, frame)
    assert [p.column for p in caught.value.problems] == [missing]
    with pytest.raises(InputError) as caught:  # a date alone needs a season with dates
        supply_gap(made(), {}, frame.drop(columns="day", errors="ignore").assign(date="2025-05-01"))
    assert "day" in [p.column for p in caught.value.problems]
