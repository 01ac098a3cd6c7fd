"""Steps of the cleaning against the same rule said record by record, and passes of tracks drawn by hand."""

from dataclasses import replace
from itertools import permutations
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from fertkit.errors import NotEstimable
from fertkit.intake.points import YieldPoints
from fertkit.trials import point_steps as neighbours
from fertkit.trials import points
from fertkit.trials.point_steps import STEPS, Log, find_overlaps, find_passes, local_moran, nearest
from fertkit.trials.points import NO_RULES, CleaningRules, clean_points

DROP = {step.name: step.drop for step in STEPS}


def t_ha(mass, moisture, area):
    """Yield at 14 % moisture of grain [kg] from ground [m2]."""
    return mass * (100 - moisture) / 86 / area * 10


@pytest.fixture(params=range(4))
def table(request):
    """Harvest points with every kind of odd record; small whole numbers, so that limits are met exactly."""
    rng = np.random.default_rng(request.param)
    n = 120
    run = np.repeat([3, 1, 1, 7, 5], [40, 20, 10, 49, 1])
    table = pd.DataFrame({
        "x_m": run * 6.0 + rng.integers(0, 2, n), "y_m": rng.integers(0, 40, n) * 2.0,
        "mass_kg": rng.integers(8, 13, n) * 1.0, "moisture_pct": rng.integers(14, 18, n) * 1.0,
        "seconds": rng.choice([1.0, 2.0], n, p=[0.8, 0.2]), "distance_m": rng.choice([2.0, 2.5, 3.0], n),
        "width_m": rng.choice([5.0, 6.0], n), "pass": run,
    })  # fmt: skip
    odd = rng.permutation(n)
    odd_cells = [("distance_m", 0.0), ("distance_m", np.nan), ("width_m", 0.0), ("moisture_pct", 0.0),
                 ("moisture_pct", 100.0), ("mass_kg", -1.0), ("mass_kg", 0.0), ("x_m", np.nan),
                 ("y_m", np.inf), ("seconds", 0.0), ("seconds", np.nan)]  # fmt: skip
    for column, value in odd_cells:
        table.loc[odd[0], column], odd = value, odd[1:]
    for same in (["x_m", "y_m", "mass_kg"], ["x_m", "y_m"], ["x_m", "mass_kg"], ["y_m", "mass_kg"]):
        at, odd = int(odd[0]) % (n - 1) + 1, odd[1:]
        table.loc[at, same] = table.loc[at - 1, same]
    table["area_m2"] = table["distance_m"] * table["width_m"]
    with np.errstate(all="ignore"):
        table["yield_t_ha"] = t_ha(table["mass_kg"], table["moisture_pct"], table["area_m2"])
    return table


def log_of(table):
    return Log.of(table, "yield_t_ha", table["pass"].to_numpy())


def dropped(step, table, alive=None, **rules):
    log = log_of(table)
    alive = np.ones(len(table), bool) if alive is None else alive
    return DROP[step](log, SimpleNamespace(**rules), alive).tolist()


def same_run(table, i, j):
    return (
        0 <= j < len(table) and (table["pass"].iloc[min(i, j) : max(i, j) + 1] == table["pass"].iloc[i]).all()
    )


@pytest.mark.parametrize("delay", [1.0, 3.0, 4.6, 12.0])
def test_grain_is_given_back_to_where_it_grew(table, delay):
    log, k = log_of(table), round(delay)  # a record a second, as most of them are
    alive = np.ones(len(table), bool)
    lost = DROP["grain delay"](log, SimpleNamespace(delay_s=delay), alive)
    for i in range(len(table)):
        assert lost[i] == (not same_run(table, i, i + k))
        if not lost[i]:
            grown = table.iloc[i + k]
            assert log.mass[i] == pytest.approx(grown["mass_kg"], nan_ok=True)
            assert log.moisture[i] == pytest.approx(grown["moisture_pct"], nan_ok=True)
            if table["area_m2"].iloc[i] > 0:
                want = t_ha(grown["mass_kg"], grown["moisture_pct"], table["area_m2"].iloc[i])
                assert log.value[i] == pytest.approx(want, nan_ok=True)


def test_a_delay_counts_in_records_and_needs_their_seconds(table):
    log = log_of(table.assign(seconds=2.0))
    lost = DROP["grain delay"](log, SimpleNamespace(delay_s=6.0), None)
    assert lost.sum() == 3 * 3 + 1  # three records of each pass, and a pass of one
    for seconds in (0.0, np.nan):
        with pytest.raises(NotEstimable, match="needs a column of seconds"):
            DROP["grain delay"](log_of(table.assign(seconds=seconds)), SimpleNamespace(delay_s=6.0), None)


def test_impossible_records(table):
    want = []
    for i, r in enumerate(table.itertuples()):
        bad = not all(map(np.isfinite, (r.x_m, r.y_m, r.yield_t_ha)))
        bad |= not (r.distance_m > 0 and r.width_m > 0 and 0 < r.moisture_pct < 100 and r.mass_kg >= 0)
        last = table.iloc[i - 1] if i else None
        again = last is not None and (last["x_m"], last["y_m"], last["mass_kg"]) == (r.x_m, r.y_m, r.mass_kg)
        want.append(bool(bad or again))
    assert 8 < sum(want) < 20
    assert dropped("impossible", table) == want


@pytest.mark.parametrize("edge", [4.0, 5.0, 11.25])
def test_records_whose_middle_lies_near_an_end(table, edge):
    want = []
    for _, run in table.fillna({"distance_m": 0.0}).groupby("pass", sort=False):
        way = run["distance_m"].tolist()
        for i, own in enumerate(way):
            want.append(bool(min(sum(way[:i]), sum(way[i + 1 :])) + own / 2 < edge))
    assert dropped("pass ends", table, edge_m=edge) == want


@pytest.mark.parametrize("most", [20, 25, 50])
def test_records_at_a_changed_speed(table, most):
    want = []
    for i in range(len(table)):
        now, last = table.iloc[i], table.iloc[i - 1]
        moving = [r["distance_m"] > 0 and r["seconds"] > 0 for r in (now, last)]
        if not (same_run(table, i, i - 1) and last["distance_m"] > 0 and last["seconds"] > 0):
            want.append(False)
        elif not moving[0]:  # a stand after a move is a change of 100 %
            want.append(bool(now["distance_m"] == 0 and now["seconds"] > 0))
        else:
            speed, before = now["distance_m"] / now["seconds"], last["distance_m"] / last["seconds"]
            want.append(bool(abs(speed - before) > most / 100 * before))
    assert dropped("speed", table, speed_change_pct=most) == want


def test_records_far_from_the_field(table):
    alive = np.isfinite(table["yield_t_ha"].to_numpy()) & (np.arange(len(table)) % 3 > 0)
    value = table["yield_t_ha"][alive]
    for limit in (0.5, 1.5):
        want = (table["yield_t_ha"] - value.mean()).abs() > limit * value.std()
        assert dropped("field outliers", table, alive, global_sd=limit) == want.tolist()


def test_one_record_is_not_far_from_itself_and_one_of_two_can_be():
    two = pd.DataFrame({"yield_t_ha": [4.0, 6.0]})  # mean 5, SD 1.414
    log = SimpleNamespace(value=two["yield_t_ha"].to_numpy())
    far = DROP["field outliers"]
    assert far(log, SimpleNamespace(global_sd=0.5), np.array([True, True])).all()
    assert not far(log, SimpleNamespace(global_sd=0.8), np.array([True, True])).any()
    assert not far(log, SimpleNamespace(global_sd=0.5), np.array([True, False])).any()


@pytest.mark.parametrize("shortest", [2, 4, 9])
def test_pieces_of_a_pass(table, shortest):
    alive = np.random.default_rng(5).random(len(table)) < 0.8
    want = np.zeros(len(table), bool)
    for i in np.flatnonzero(alive):
        size = 1
        for way in (-1, 1):
            j = i + way
            while same_run(table, i, j) and alive[j]:
                size, j = size + 1, j + way
        want[i] = size < shortest
    got = np.array(dropped("short pieces", table, alive, shortest=shortest))
    assert (got & alive).tolist() == want.tolist()


@pytest.mark.parametrize(("low", "high"), [(15.0, 16.0), (None, 16.0), (15.0, None)])
def test_limits_are_outside_what_is_kept(table, low, high):
    table = placed(table)
    moisture = table["moisture_pct"]
    want = (moisture <= low) & (low is not None) if low else moisture.isna()
    want = want | (moisture >= high) if high else want
    assert dropped("moisture", table, moisture_low=low, moisture_high=high) == want.tolist()
    got = dropped("yield limits", table, yield_low=low and 7.0, yield_high=high and 8.0)
    value = table["yield_t_ha"]
    want = [bool((low and v <= 7) or (high and v >= 8)) for v in value]
    assert got == want


def placed(table):
    return table[np.isfinite(table["x_m"]) & np.isfinite(table["y_m"]) & (table["width_m"] > 0)
                 & np.isfinite(table["yield_t_ha"])].reset_index(drop=True)  # fmt: skip


def near(table, alive, k, reach):
    """Nearest records in play of each record in play, by all distances."""
    at, place = np.flatnonzero(alive), table[["x_m", "y_m"]].to_numpy()
    apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    return {i: sorted((apart[i, j], j) for j in at if j != i and apart[i, j] < reach)[: k + 1] for i in at}


def test_ground_cut_by_an_earlier_pass(table):
    table = placed(table)
    order = (table["pass"] != table["pass"].shift()).cumsum()  # passes by the order of harvest
    table["x_m"] = 3 * order + np.random.default_rng(1).random(len(table))  # no two as near as each other
    alive = np.random.default_rng(2).random(len(table)) < 0.7
    rules = {"overlap": 0.8, "neighbours": 5, "reach": 1.4}
    found = near(table, alive, 5, 1.4 * np.median(table["width_m"][alive]))
    want = [
        i in found and any(d < 0.8 * table["width_m"][i] and order[j] < order[i] for d, j in found[i][:5])
        for i in range(len(table))
    ]
    assert 3 < sum(want) < 80
    assert dropped("overlaps", table, alive, **rules) == want


def test_records_unlike_their_neighbours(table):
    table = placed(table)
    table["x_m"] += np.random.default_rng(1).random(len(table))
    alive = np.random.default_rng(3).random(len(table)) < 0.8
    reach = 2 * float(np.median(table["width_m"][alive]))
    found = near(table, alive, 4, reach)
    index = np.full((len(table), 4), -1)
    for i, others in found.items():
        index[i, : len(others[:4])] = [j for _, j in others[:4]]
    statistic, p = local_moran(table["yield_t_ha"].to_numpy(), index, alive)
    for limit in (0.1, 0.6):
        rules = {"local_significance": limit, "neighbours": 4, "reach": 2.0}
        got = dropped("local outliers", table, alive, **rules)
        assert got == ((statistic < 0) & (p < limit)).tolist()
        assert sum(got) > 0


# ---- neighbours


def test_moran_by_every_order_of_the_values():
    """Mean and variance over all 720 orders of six values: the randomisation the statistic is judged by."""
    values = np.array([1.0, 2.0, 4.0, 4.5, 7.0, 13.0, 99.0])
    index = np.array([[1, 2, 3], [0, 2, -1], [4, -1, -1], [5, 6, 1], [5, 3, 0], [-1, -1, -1], [0, 1, 2]])
    use = np.array([True] * 6 + [False])
    statistic, p = local_moran(values, index, use)
    z = np.array([[*one] for one in permutations((values[:6] - values[:6].mean()) / values[:6].std())])
    for i in range(5):
        held = [j for j in index[i] if 0 <= j < 6]
        drawn = z[:, i] * z[:, held].mean(axis=1)
        own = (values[:6] - values[:6].mean()) / values[:6].std()
        assert statistic[i] == pytest.approx(own[i] * own[held].mean())
        away = abs(statistic[i] - drawn.mean()) / drawn.std()
        assert p[i] == pytest.approx(2 * norm.sf(away))
    assert (statistic[5:] == 0).all()  # without neighbours, and left out
    assert (p[5:] == 1).all()


def test_moran_needs_four_values_that_differ():
    index = np.array([[1, 2], [0, 2], [0, 1], [0, 1]])
    values = np.array([1.0, 2, 4, 3])
    assert local_moran(values, index, np.ones(4, bool))[1].max() < 1
    for given, use in ((values, np.arange(4) < 3), (np.full(4, 5.0), np.ones(4, bool))):
        statistic, p = local_moran(given, index, use)
        assert (statistic.tolist(), p.tolist()) == ([0] * 4, [1] * 4)


@pytest.mark.parametrize("chunk", [7, 200_000])
def test_nearest_within_reach(monkeypatch, chunk):
    monkeypatch.setattr(neighbours, "CHUNK", chunk)
    rng = np.random.default_rng(4)
    x, y = rng.normal(0, 5, (2, 60))
    x[10:14], y[10:14] = x[9], y[9]  # five records on one spot, more than neighbours asked
    found = nearest(x, y, 3, reach=2.0)
    assert found.shape == (60, 3)
    for i in range(60):
        apart = np.hypot(x - x[i], y - y[i])
        want = sorted(apart[j] for j in range(60) if j != i and apart[j] < 2)[:3]
        held = found[i][found[i] >= 0]
        assert i not in held
        assert len(set(held)) == len(held) == len(want)
        assert apart[held].tolist() == pytest.approx(want)


def test_overlaps_pair_by_pair():
    rng = np.random.default_rng(6)
    x, y = rng.integers(0, 12, (2, 50)).astype(float)
    run, reach = np.sort(rng.integers(0, 4, 50)), rng.choice([1.0, 2.0], 50)
    index = nearest(x, y, 6)
    index[::7, 3:] = -1
    want = [
        any(j >= 0 and run[j] < run[i] and np.hypot(x[j] - x[i], y[j] - y[i]) < reach[i] for j in index[i])
        for i in range(50)
    ]
    assert find_overlaps(x, y, run, index, reach).tolist() == want
    assert 5 < sum(want) < 45


# ---- passes


def track(*legs, start=(0.0, 0.0)):
    """Places along legs of (records, step [m], heading [degrees])."""
    x, y = [start[0]], [start[1]]
    for records, step, heading in legs:
        for _ in range(records):
            x.append(x[-1] + step * np.cos(np.radians(heading)))
            y.append(y[-1] + step * np.sin(np.radians(heading)))
    return np.array(x), np.array(y)


def ends(found):
    """First record of each pass but the first."""
    return (np.flatnonzero(np.diff(found)) + 1).tolist()


@pytest.mark.parametrize(
    ("bend", "turn", "cut"), [(59, 60, []), (61, 60, [30]), (50, 60, []), (50, 45, [30])]
)
def test_a_bend_above_the_limit_is_a_turn(bend, turn, cut):
    assert ends(find_passes(*track((30, 2.0, 0), (30, 2.0, bend)), turn_deg=turn)) == cut
    assert ends(find_passes(*track((30, 2.0, 90), (30, 2.0, 90 - bend)), turn_deg=turn)) == cut


@pytest.mark.parametrize(("step", "half"), [(2.0, 5), (2.1, 5), (1.9, 6), (4.0, 3), (20.0, 2), (0.5, 20)])
def test_a_turn_needs_a_stretch_of_pass_on_both_sides(step, half):
    # Heading over the ten metres either side, two records at the least; each side twice that long.
    for before, after, whole in (
        (2 * half, 2 * half, True),
        (2 * half - 1, 60, False),
        (60, 2 * half - 1, False),
    ):
        found = find_passes(*track((before, step, 0), (after, step, 61)))
        assert ends(found) == ([before] if whole else [])


@pytest.mark.parametrize(("between", "cuts"), [(10, [35]), (11, [30, 41])])
def test_the_two_quarters_of_a_turn_are_one(between, cuts):
    # Half a turn is five records of two metres: bends ten apart are one turn, eleven apart are two.
    assert ends(find_passes(*track((30, 2.0, 0), (between, 2.0, 61), (30, 2.0, 122)))) == cuts


@pytest.mark.parametrize(("jump", "cut"), [(10.0, []), (10.1, [31])])
def test_five_usual_steps_are_a_gap(jump, cut):
    assert ends(find_passes(*track((30, 2.0, 0), (1, jump, 0), (30, 2.0, 0)))) == cut


@pytest.mark.parametrize(("pause", "cut"), [(5.0, []), (5.5, [31])])
def test_five_usual_pauses_are_a_gap(pause, cut):
    x, y = track((60, 2.0, 0))
    time = np.arange(61) + (pause - 1) * (np.arange(61) > 30)
    assert ends(find_passes(x, y, time=time)) == cut
    assert ends(find_passes(x, y, time=np.zeros(61))) == []


def test_bends_on_both_sides_of_a_gap_are_two_turns():
    # Each bend has ten records of its own pass on both sides.
    legs = (30, 2.0, 0), (10, 2.0, 61), (1, 30.0, 61), (10, 2.0, 61), (30, 2.0, 122)
    assert ends(find_passes(*track(*legs))) == [30, 41, 51]


@pytest.mark.parametrize(("crawl", "turns"), [(0.9, 0), (1.1, 1)])
def test_a_crawl_has_no_heading(crawl, turns):
    # Over five records it must come further than half of five usual steps.
    legs = (40, 2.0, 0), (8, crawl, 0), (8, crawl, 100), (40, 2.0, 0)
    middle = range(44, 53)
    assert sum(end in middle for end in ends(find_passes(*track(*legs)))) == turns


def test_a_position_or_clock_renewed_each_third_record_ends_no_pass():
    x, y = track((40, 6.0, 90))
    x, y, time = np.repeat(x, 3), np.repeat(y, 3), np.repeat(np.arange(41.0), 3)
    assert ends(find_passes(x, y)) == []
    assert ends(find_passes(np.arange(123) * 2.0, 0 * y, time=time)) == []


@pytest.mark.parametrize("n", [0, 1, 2, 6])
def test_a_stand_is_one_pass(n):
    assert find_passes(np.zeros(n), np.zeros(n)).tolist() == [0] * n


# ---- all steps together


def points_of(table):
    return YieldPoints(table, "wheat", 14.0, "t/ha", "made", pd.DataFrame())


def test_the_tally_step_by_step(table):
    rules = CleaningRules(delay_s=2, edge_m=4.0, speed_change_pct=60, moisture_high=17.0, yield_low=2.0,
                          global_sd=2.0, shortest=2, overlap=0.2, neighbours=3)  # fmt: skip
    with np.errstate(all="ignore"):
        cleaned = clean_points(points_of(table), rules)
    log, alive = log_of(table), np.ones(len(table), bool)
    why = np.full(len(table), "", dtype=object)
    rows = iter(cleaned.steps.itertuples())

    def check(row, before):
        value = pd.Series(log.value[alive])
        area = log.area[alive]
        whole = np.isfinite(value) & (area > 0)
        assert (row.removed, row.kept) == (before.sum() - alive.sum(), alive.sum())
        assert row.removed_pct == pytest.approx(100 * row.removed / len(table))
        assert row.mean == pytest.approx(value[whole].mean())
        assert row.weighted_mean == pytest.approx(np.average(value[whole], weights=area[whole]))
        assert row.sd == pytest.approx(value[whole].std())

    check(next(rows), alive)
    for step in STEPS:
        before = alive
        with np.errstate(all="ignore"):
            alive = alive & ~step.drop(log, rules, alive)
        why[before & ~alive] = step.name
        row = next(rows)
        assert row.step == step.name
        check(row, before)
    assert cleaned.points["removed_by"].astype(str).tolist() == why.tolist()
    assert cleaned.kept.index.tolist() == np.flatnonzero(alive).tolist()
    run = (table["pass"] != table["pass"].shift()).cumsum() - 1
    assert cleaned.points["pass"].tolist() == run.tolist()


def test_steps_whose_rules_are_open_are_left_out(table):
    cleaned = clean_points(points_of(placed(table)), replace(NO_RULES, yield_high=9.0))
    assert cleaned.steps["step"].tolist() == ["as read", "impossible", "yield limits"]
    last = cleaned.steps.iloc[-1]
    assert (last["rule"], last["source"]) == ("outside open to 9", "given")
    assert cleaned.steps["source"].tolist()[:2] == ["", "arithmetic"]


def test_a_time_that_is_missing_parts_no_passes():
    x, y = track((60, 2.0, 0))
    frame = pd.DataFrame({"x_m": x, "y_m": y, "time": np.nan})
    assert set(points._passes(frame)) == {0}
    frame["time"] = np.arange(61) + 60.0 * (np.arange(61) > 30)
    assert ends(points._passes(frame)) == [31]
    frame.loc[2:, "time"] = np.nan
    assert set(points._passes(frame)) == {0}


def test_half_of_the_points_removed_is_still_usual():
    # Sudduth & Drummond 2007: 10 to 50 % of the records of a yield map may be erroneous.
    frame = pd.DataFrame({
        "x_m": 0.0, "y_m": np.arange(8) * 2.0, "mass_kg": 10.0, "moisture_pct": [14.0] * 4 + [20.0] * 4,
        "seconds": 1.0, "distance_m": 2.0, "width_m": 6.0, "pass": 1, "area_m2": 12.0, "yield_t_ha": 8.0,
    })  # fmt: skip
    for limit, passed in ((14.0, True), (20.0, False)):
        frame.loc[3, "moisture_pct"] = limit
        cleaned = clean_points(points_of(frame), replace(NO_RULES, moisture_high=19.0))
        assert cleaned.checks["passed"].tolist() == [passed]
