"""Passes and grain delay of made-up logs whose passes and delay are known by construction."""

import numpy as np
import pandas as pd
import pytest

from fertkit.errors import NotEstimable
from fertkit.intake.points import read_points
from fertkit.trials.points import (
    CleaningRules,
    _check_agreement,
    _opposite,
    clean_points,
    find_delay,
    find_passes,
)

DEGREE = 6_371_008.8 * np.pi / 180


def driven(passes=8, length=300.0, spacing=7.5, step=1.5, turns=None, pause=40):
    """Serpentine: x, y, time and the true pass (-1 in a turn); turns are half circles, or left out.

    `turns` is the share of each turn, from both of its ends, that the log records (1: all of it).
    """
    along = np.arange(0, length, step)
    rows, time = [], 0.0
    for i in range(passes):
        for s in along:
            rows.append((i * spacing, s if i % 2 == 0 else length - s, time, i))
            time += 1
        if i == passes - 1:
            break
        if turns is None:
            time += pause
            continue
        radius = spacing / 2
        n = max(6, int(np.pi * radius / step))
        up = 1 if i % 2 == 0 else -1
        for k, angle in enumerate(np.linspace(0, np.pi, n + 2)[1:-1]):
            if min(k, n - 1 - k) < turns * n / 2:
                x = i * spacing + radius - radius * np.cos(angle)
                y = (length if up > 0 else 0) + up * radius * np.sin(angle)
                rows.append((x, y, time, -1))
            time += 1 + pause * (turns < 1 and k == n // 2)
    return pd.DataFrame(rows, columns=["x", "y", "time", "true"])


def log_of(track, field, delay=0, seed=1, noise=0.15, width=7.5, step=1.5):
    """Log of a track: wheat, yield from a function of place [t/ha], grain weighed `delay` records late."""
    rng = np.random.default_rng(seed)
    value = field(track["x"], track["y"]).where(track["true"] >= 0, 0) + rng.normal(0, noise, len(track))
    flow = value.clip(lower=0.1) * width * step / 10
    late = flow.groupby(track["true"]).shift(delay).fillna(0.1) if delay else flow
    return pd.DataFrame({
        "lon": 11.3 + track["x"] / (DEGREE * np.cos(np.radians(52.1))), "lat": 52.1 + track["y"] / DEGREE,
        "flow kg/s": late, "seconds": 1.0, "distance m": step, "width m": width, "moisture": 14.5,
    })  # fmt: skip


def waves(x, y):
    return 6 + np.sin(y / 25)


def read(log):
    return read_points(log, crop="wheat", yield_unit="t/ha")


# ---- passes


@pytest.mark.parametrize("turns", [None, 0.3, 0.6, 1])
@pytest.mark.parametrize("spacing", [7.5, 9.0, 12.0, 15.0])
@pytest.mark.parametrize("clock", [False, True])
def test_as_many_passes_as_were_driven(turns, spacing, clock):
    track = driven(turns=turns, spacing=spacing)
    found = find_passes(track["x"], track["y"], time=track["time"] if clock else None)
    assert len(np.unique(found)) == 8
    straight = track["true"] >= 0
    # Three records at each end may go to the turn.
    inner = straight & (track["true"].shift(3) == track["true"]) & (track["true"].shift(-3) == track["true"])
    assert (found[inner] == track["true"][inner]).all()


def test_a_stand_with_a_wandering_position_ends_no_pass():
    track = driven(passes=2)
    rng = np.random.default_rng(3)
    stand = pd.DataFrame(np.tile(track.iloc[100], (12, 1)), columns=track.columns)
    stand[["x", "y"]] += rng.normal(0, 0.1, (12, 2))
    both = pd.concat([track.iloc[:100], stand, track.iloc[100:]], ignore_index=True)
    assert len(np.unique(find_passes(both["x"], both["y"]))) == 2


def test_a_pause_in_place_parts_two_passes():
    # The next pass begins where the last one ended: only the clock tells.
    y = np.arange(0, 400, 1.5)
    time = np.arange(len(y)) + 60.0 * (y > 200)
    assert len(np.unique(find_passes(0 * y, y))) == 1
    assert len(np.unique(find_passes(0 * y, y, time=time))) == 2


@pytest.mark.parametrize("clock", ["number", "text"])
def test_the_clock_of_the_file_is_used(clock):
    track = driven(passes=1, length=600)
    track["time"] += 90.0 * (track["y"] > 300)
    log = log_of(track, waves)
    start = pd.Timestamp("2024-08-01 10:00")
    text = (start + pd.to_timedelta(track["time"], unit="s")).dt.strftime("%d.%m.%Y %H:%M:%S")
    log["time"] = track["time"] if clock == "number" else text
    assert clean_points(read(log)).points["pass"].nunique() == 2


def test_each_pass_loses_its_delay_once():
    # Twenty passes, eight records of delay: 160 points and no more.
    track = driven(passes=20, turns=None)
    steps = clean_points(read(log_of(track, waves, delay=8)), CleaningRules(delay_s=8)).steps
    assert steps.set_index("step").loc["grain delay", "removed"] == 160


# ---- delay


@pytest.mark.parametrize("numbered", [False, True])
@pytest.mark.parametrize("spacing", [7.5, 15.0])
@pytest.mark.parametrize("delay", [0, 8])
def test_delay_is_found_by_opposite_passes(spacing, numbered, delay):
    track = driven(spacing=spacing)
    log = log_of(track, waves, delay=delay)
    if numbered:
        log["pass"] = track["true"]
    found = find_delay(read(log))
    assert found["delay_s"].iloc[0] == delay
    assert found["roughness"].notna().all()
    assert found["passes_best"].sum() == 8


def test_passes_all_driven_one_way_tell_no_delay():
    track = driven()
    log = log_of(track.assign(y=np.where(track["true"] % 2, 300 - track["y"], track["y"])), waves, delay=8)
    log["pass"] = track["true"]
    with pytest.raises(NotEstimable, match=r"cannot be found from this log: 0 passes have neighbours"):
        find_delay(read(log))


def test_passes_far_apart_tell_no_delay():
    with pytest.raises(NotEstimable, match=r"cannot be found from this log: 0 passes have neighbours"):
        find_delay(read(log_of(driven(spacing=40.0), waves, delay=8)))


@pytest.mark.parametrize("seed", range(4))
def test_an_even_field_tells_no_delay(seed):
    log = log_of(driven(passes=12), lambda x, y: 6 + 0 * x, delay=8, seed=seed)
    with pytest.raises(NotEstimable, match="cannot be found from this log"):
        find_delay(read(log))


def test_the_longest_delay_tried_is_no_answer():
    with pytest.raises(NotEstimable, match="try longer ones"):
        find_delay(read(log_of(driven(), waves, delay=8)), range(5))


# ---- the grain delay


def test_pairs_of_points_of_opposite_passes():
    """Nearest point of the other way within three header widths, by all distances."""
    rng = np.random.default_rng(6)
    run, step = np.divmod(np.arange(120), 20)
    along = np.where(run % 2, 19 - step, step) * 2.0
    turn = np.radians(25)
    x, y = run * 6.0 + rng.normal(0, 0.2, 120), along + rng.normal(0, 0.2, 120)
    x, y = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
    x[60:] += 30.0  # the last three passes lie apart
    table = pd.DataFrame({"x_m": x, "y_m": y, "width_m": 6.0})
    one, other = _opposite(table, run)
    way = np.where(run % 2, -1, 1)
    way[np.r_[run[1:] != run[:-1], True]] = 0  # the last point of a pass has no heading
    want = set()
    for i in np.flatnonzero(way):
        apart = np.where(way == -way[i], np.hypot(x - x[i], y - y[i]), np.inf)
        if apart.min() < 18:
            want.add((i, int(apart.argmin())))
    assert set(zip(one.tolist(), other.tolist(), strict=True)) == want
    assert len(want) > 100
    for bare in (table.assign(x_m=0.0, y_m=0.0), table.assign(x_m=0.0, y_m=np.arange(120.0))):
        assert [len(side) for side in _opposite(bare, run)] == [0, 0]


def test_points_across_the_field_are_no_opposite_passes():
    # Two passes along, one across: heads within 30 degrees of the line alone count.
    parts = [(0, 0, 0), (4, 19, 180), (8, 0, 25), (12, 19, 145), (16, 0, 90)]
    x, y, run = [], [], []
    for k, (across, start, heading) in enumerate(parts):
        for s in range(20):
            x.append(start + s * np.cos(np.radians(heading)))
            y.append(across + s * np.sin(np.radians(heading)))
            run.append(k)
    table = pd.DataFrame({"x_m": x, "y_m": y, "width_m": 10.0})
    one, _ = _opposite(table, np.array(run))
    assert set(np.array(run)[one]) == {0, 1, 2}


@pytest.mark.parametrize(
    ("votes", "roughness", "said"),
    [
        ([3, 3, 3, 3, 9, 9], [9, 9, 8, 4, 8, 9, 9, 9, 9, 9], ""),  # four of six are two thirds
        ([3, 3, 3, 9, 9, 9], [9, 9, 8, 4, 8, 9, 9, 9, 9, 9], "3 of 6 passes"),
        ([1, 5, 3, 3, 9, 9], [9, 9, 8, 4, 8, 9, 9, 9, 9, 9], ""),  # within two seconds
        ([0, 6, 3, 3, 9, 9], [9, 9, 8, 4, 8, 9, 9, 9, 9, 9], "2 of 6 passes"),
        ([3] * 6, [10, 10, 10, 9, 10, 10, 10, 10, 10, 10], ""),  # nine tenths of the median
        ([3] * 6, [10, 10, 10, 9.1, 10, 10, 10, 10, 10, 10], "hardly better"),
        ([9] * 6, [10, 10, 10, 10, 10, 10, 10, 10, 9, 4], "longest tried"),
    ],
)
def test_when_a_delay_is_taken(votes, roughness, said):
    given = np.arange(10.0), np.array(roughness, float), np.array(votes)
    if said:
        with pytest.raises(NotEstimable, match=said):
            _check_agreement(*given)
    else:
        _check_agreement(*given)
    # One candidate alone is no longest of several, and no better than the others.
    with pytest.raises(NotEstimable, match="hardly better"):
        _check_agreement(np.array([3.0]), np.array([4.0]), np.zeros(6, int))
