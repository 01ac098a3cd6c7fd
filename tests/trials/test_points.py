"""Harvest points: arithmetic of a real log, each step on small made logs, the way from plan to strips.

The log (corn, Mankato, Minnesota, 5 Nov 2011) is teaching data of the University of Minnesota Precision
Agriculture Center, CC BY-SA 3.0, used in tests alone; the numbers beside it were computed with R
(tests/reference/r/points.R) from the yield formula of the data collection.
"""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.intake import read_strips
from fertkit.intake.points import YieldPoints, read_points
from fertkit.trials import analyse_strips
from fertkit.trials.application import application_geojson
from fertkit.trials.layout import plan_strips
from fertkit.trials.point_steps import find_overlaps, local_moran, nearest
from fertkit.trials.points import NO_RULES, CleaningRules, clean_points, find_delay, find_passes
from fertkit.trials.strip_means import strip_means

DEGREE = 6_371_008.8 * np.pi / 180


@pytest.fixture(scope="module")
def mankato(outside):
    return read_points(
        outside("gartner_corn_yieldmonitor.csv"), crop="corn", units={"flow": "lb/s", "distance": "in"},
        width=(360, "in"), name="mankato",
    )  # fmt: skip


def made_log(passes=6, length=60, spacing=2.0, width=6.0, seed=0, noise=0.0, field=lambda x, y: 150 + 0 * x):
    """A serpentine log, one record a second, yields from a function of place [bu/ac] exactly."""
    rng = np.random.default_rng(seed)
    run = np.repeat(np.arange(passes), length)
    along = np.tile(np.arange(length), passes)
    y = np.where(run % 2 == 0, along, length - 1 - along) * spacing
    x = run * width
    value = field(x, y) + rng.normal(0, noise, len(x))
    dry = value * 56 * 0.45359237 / 0.40468564224 * 0.845 * spacing * width / 1e4  # kg dry matter of a record
    return pd.DataFrame(
        {"lon": -93 + x / (DEGREE * np.cos(np.radians(44))), "lat": 44 + y / DEGREE, "flow": dry / 0.8,
         "moisture": 20.0, "seconds": 1.0, "distance": spacing, "width": width, "pass": run}
    )  # fmt: skip


def read(log, **options):
    units = {"flow": "kg/s", "distance": "m", "width": "m"}
    return read_points(log, crop="corn", units=units, **options)


# ---- files


def semicolons(log, *above):
    """A log as a German export writes it, with lines above its headers."""
    names = {
        "flow": "Flow (kg/s)",
        "moisture": "Moisture (%)",
        "distance": "Distance (m)",
        "width": "Width (m)",
    }
    return "\n".join([*above, log.rename(columns=names).to_csv(sep=";", decimal=",", index=False)]).encode()


def test_a_title_above_the_headers_of_a_log_moves_nothing():
    log = made_log(passes=2, length=20)
    alone, titled = (
        read_points(semicolons(log, *above), crop="corn").table for above in ((), ("Export", ""))
    )
    pd.testing.assert_frame_equal(alone, titled)


def test_a_log_under_spanish_headers(demo):
    said = {"Longitude": "Longitud", "Latitude": "Latitud", "Distance": "Distancia", "Swath": "Ancho",
            "Moisture": "Humedad", "Yield": "Rendimiento", "Time": "Tiempo"}  # fmt: skip
    english = demo("combine_log.csv").read_text()
    spanish = english
    for word, other in said.items():
        spanish = spanish.replace(word, other)
    first, second = (read_points(text.encode(), crop="corn").table for text in (english, spanish))
    pd.testing.assert_frame_equal(first, second)


def test_a_word_among_decimal_commas_is_named_by_its_own_line():
    lines = semicolons(made_log(passes=2, length=20), "Export of the north field").split(b"\n")
    cells = lines[6].split(b";")
    lines[6] = b";".join([*cells[:3], b"wet", *cells[4:]])
    with pytest.raises(InputError) as caught:
        read_points(b"\n".join(lines), crop="corn")
    (problem,) = caught.value.problems
    assert (problem.row, problem.column, problem.value) == (7, "Moisture (%)", "wet")


# ---- arithmetic


def test_yields_of_the_log(mankato):
    value, area = mankato.points["yield_bu_ac"], mankato.points["area_m2"]
    acres = area / 4046.8564224
    assert len(value) == 4949
    assert acres.sum() == pytest.approx(67.636765, abs=5e-7)
    assert (value * acres).sum() == pytest.approx(9027.154365, abs=5e-6)
    assert (value * acres).sum() / acres.sum() == pytest.approx(133.465199, abs=5e-7)
    assert value.mean() == pytest.approx(133.455022, abs=5e-7)
    assert value.median() == pytest.approx(136.639841, abs=5e-7)
    assert value.std() == pytest.approx(22.264651, abs=5e-7)
    assert value.max() == pytest.approx(258.390722, abs=2e-6)
    assert value.iloc[0] == pytest.approx(128.368807, abs=5e-7)
    first = mankato.points.iloc[0]
    assert first["distance_m"] / first["seconds"] * 3600 / 1609.344 == pytest.approx(2.196970, abs=5e-7)
    assert "133.5 bu/ac" in mankato.summary()


@pytest.mark.parametrize(
    ("rules", "kept", "mean"),
    [
        ({"yield_low": 50}, 4861, 135.404176),
        ({"global_sd": 3}, 4816, 135.756965),
        ({"yield_low": 50, "global_sd": 3}, 4761, 136.040474),
    ],
)
def test_limits_on_the_log(mankato, rules, kept, mean):
    # The order matters: 3 SD on raw keeps 4816, the biological limit first then 3 SD keeps 4761.
    last = clean_points(mankato, replace(NO_RULES, **rules)).steps.iloc[-1]
    assert last["kept"] == kept
    assert last["mean"] == pytest.approx(mean, abs=2e-6)


def test_the_summary_counts_from_the_first_step_to_the_last(mankato):
    # Counts and the mean by area are those of the log above: 9027.154365 bu from 67.636765 ac, 133.5 bu/ac.
    said = clean_points(mankato, replace(NO_RULES, yield_low=50, global_sd=3)).summary()
    assert said.startswith("mankato: 4761 of 4949 points kept; mean by area 133.5 before")


def test_mean_by_area_after_a_limit(mankato):
    steps = clean_points(mankato, replace(NO_RULES, yield_low=50)).steps
    assert steps["weighted_mean"].iloc[-1] == pytest.approx(135.286633, abs=5e-7)


def test_slow_and_fast_records():
    # 100 bu/ac over 1 m and 200 over 3 m: the mean of records is 150, of the ground 175.
    log = made_log(passes=1, length=2).assign(distance=[1.0, 3.0])
    log["flow"] *= np.array([100, 200]) / 150 * log["distance"] / 2
    steps = clean_points(read(log), NO_RULES).steps.iloc[-1]
    assert steps["mean"] == pytest.approx(150)
    assert steps["weighted_mean"] == pytest.approx(175)


def test_metric_and_us_logs_are_one(outside):
    raw = outside("gartner_corn_yieldmonitor.csv").head(50)
    metric = raw.assign(mass=raw["mass"] * 0.45359237, dist=raw["dist"] * 0.0254)
    us = read_points(raw, crop="corn", units={"flow": "lb/s", "distance": "in"}, width=(30, "ft"))
    si = read_points(metric, crop="corn", units={"flow": "kg/s", "distance": "m"}, width=(9.144, "m"))
    assert si.points["yield_bu_ac"].tolist() == pytest.approx(us.points["yield_bu_ac"].tolist())


def test_a_log_that_holds_yields():
    log = made_log(passes=1, length=3).drop(columns="flow").assign(**{"Yield (bu/ac)": [100.0, 120, 140]})
    got = read(log).points
    # 100 bu/ac as harvested at 20 % are 100 x 80 / 84.5 at 15.5 %.
    assert got["yield_bu_ac"].iloc[0] == pytest.approx(100 * 80 / 84.5)


# ---- steps


def dropped(cleaned, step):
    return cleaned.points.index[cleaned.points["removed_by"] == step].tolist()


def test_clean_log_loses_nothing_but_pass_ends():
    cleaned = clean_points(
        read(made_log(noise=3)), CleaningRules(edge_m=5, global_sd=None, local_significance=None)
    )
    # Within 5 m of the ends of six passes: records centred at 1 and 3 m (spacing 2 m) from either end.
    assert len(dropped(cleaned, "pass ends")) == 6 * 4
    assert cleaned.steps["removed"].sum() == 24


def test_impossible_records_are_counted():
    log = made_log()
    log.loc[3, "distance"] = 0.0
    log.loc[5, "flow"] = np.nan
    log.loc[7, "moisture"] = 0.0
    log.loc[9] = log.loc[8]
    cleaned = clean_points(read(log), NO_RULES)
    assert dropped(cleaned, "impossible") == [3, 5, 7, 9]
    assert np.isfinite(cleaned.steps["weighted_mean"].iloc[-1])


def test_delay_puts_the_grain_back_where_it_grew():
    def ramp(x, y):
        return 100 + y

    log = made_log(field=ramp)
    late = log.copy()
    late["flow"] = log.groupby("pass")["flow"].shift(7).fillna(0.0)
    back = clean_points(read(late), replace(NO_RULES, delay_s=7)).kept
    assert back["yield_bu_ac"].tolist() == pytest.approx(
        read(log).points.loc[back.index, "yield_bu_ac"].tolist()
    )
    assert len(back) == len(log) - 6 * 7
    assert find_delay(read(late), range(0, 13))["delay_s"].iloc[0] == 7


def test_speed_jump_and_its_recovery():
    log = made_log()
    log.loc[20, ["distance", "flow"]] *= 1.5
    cleaned = clean_points(read(log), replace(NO_RULES, speed_change_pct=20))
    assert dropped(cleaned, "speed") == [20, 21]


def test_a_pass_over_cut_ground():
    log = made_log(passes=3)
    again = log[log["pass"] == 1].assign(**{"pass": 9})
    again["lon"] += 1.0 / (DEGREE * np.cos(np.radians(44)))
    both = pd.concat([log, again], ignore_index=True)
    cleaned = clean_points(read(both), replace(NO_RULES, overlap=0.5))
    assert dropped(cleaned, "overlaps") == list(range(len(log), len(both)))


def test_local_outlier_in_a_changing_field():
    # 170 is an everyday yield of the field, but not at its poor end.
    log = made_log(passes=20, length=60, noise=2, field=lambda x, y: 60 + 120 * (y > 60))
    odd = 10 * 60 + 10
    log.loc[odd, "flow"] *= 170 / 60
    cleaned = clean_points(read(log), replace(NO_RULES, global_sd=3, local_significance=0.05))
    assert dropped(cleaned, "field outliers") == []
    assert odd in dropped(cleaned, "local outliers")
    assert len(dropped(cleaned, "local outliers")) < 5


def test_short_pieces():
    log = made_log(passes=2, length=30)
    log.loc[[4, 12], "distance"] = 0.0
    cleaned = clean_points(read(log), replace(NO_RULES, shortest=8))
    assert dropped(cleaned, "short pieces") == [0, 1, 2, 3, 5, 6, 7, 8, 9, 10, 11]


def test_passes_are_found_at_the_turns():
    log = read(made_log(passes=5, width=6.0)).points
    found = find_passes(log["x_m"], log["y_m"])
    true = log["pass"].to_numpy()
    middle = np.tile((np.arange(60) > 4) & (np.arange(60) < 55), 5)
    pairs = pd.DataFrame({"true": true, "found": found})[middle]
    assert pairs.groupby("true")["found"].nunique().eq(1).all()
    assert pairs.groupby("found")["true"].nunique().eq(1).all()


def test_cleaning_says_where_its_limits_come_from(mankato):
    steps = clean_points(mankato, CleaningRules(edge_m=5, yield_low=50)).steps.set_index("step")
    assert steps.loc["pass ends", "source"] == "given"
    assert "from_memory" in steps.loc["field outliers", "source"]
    assert "no source" in steps.loc["speed", "source"]
    cleaned = clean_points(mankato)
    assert {"VEGA2019", "SUDDUTH2007"} <= set(cleaned.sources["source_key"])
    assert cleaned.checks["passed"].all()


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 1000), share=st.floats(0, 0.2))
def test_every_point_is_kept_or_has_one_reason(seed, share):
    log = made_log(noise=15, seed=seed)
    rng = np.random.default_rng(seed)
    log.loc[rng.random(len(log)) < share, "flow"] = np.nan
    cleaned = clean_points(read(log), CleaningRules(shortest=3))
    told = cleaned.points["removed_by"].value_counts()
    assert told.sum() == len(log)
    for step in cleaned.steps.iloc[1:].itertuples():
        assert told.get(step.step, 0) == step.removed
    assert (cleaned.steps["kept"] == len(log) - cleaned.steps["removed"].cumsum()).all()


# ---- neighbours


def test_nearest_against_all_distances():
    rng = np.random.default_rng(1)
    x, y = rng.normal(0, 10, (2, 300))
    x[7], y[7] = x[6], y[6]  # two records on one spot
    found = nearest(x, y, 5)
    apart = np.hypot(x[:, None] - x, y[:, None] - y)
    np.fill_diagonal(apart, np.inf)
    assert (np.arange(300)[:, None] != found).all()
    got = np.take_along_axis(apart, found.astype(int), axis=1)
    assert np.sort(got, axis=1) == pytest.approx(np.sort(apart, axis=1)[:, :5])
    assert (nearest(x[:3], y[:3], 5)[:, 2:] == -1).all()


def test_local_moran_moments_by_shuffling():
    # Mean and variance over 4000 random permutations of the values, the randomisation hypothesis.
    rng = np.random.default_rng(2)
    n, k = 40, 4
    values = rng.gamma(2.0, 1.0, n)
    index = np.array([rng.choice(n - 1, k, replace=False) for _ in range(n)])
    index[index >= np.arange(n)[:, None]] += 1
    use = np.ones(n, dtype=bool)
    drawn = np.array([local_moran(rng.permutation(values), index, use)[0][0] for _ in range(4000)])
    statistic, p = local_moran(values, index, use)
    z = (values - values.mean()) / values.std()
    assert statistic[3] == pytest.approx(z[3] * z[index[3]].mean())
    # From the probability back to the standard deviation used.
    from scipy.special import ndtri

    used = np.abs(statistic + 1 / (n - 1)) / -ndtri(p / 2)
    assert drawn.mean() == pytest.approx(-1 / (n - 1), abs=4 * drawn.std() / np.sqrt(4000))
    assert used[0] == pytest.approx(drawn.std(), rel=0.06)


def test_points_left_out_do_not_count():
    index = np.array([[1, 2], [0, 2], [0, 1], [0, 1], [3, 0], [3, 1]])
    values = np.array([1.0, 2, 3, 4, 5, 900])
    use = np.array([True] * 5 + [False])
    statistic, p = local_moran(values, index, use)
    assert statistic[:5] == pytest.approx(local_moran(values[:5], index[:5], use[:5])[0])
    assert (statistic[5], p[5]) == (0, 1)


def test_overlap_counts_earlier_passes_alone():
    x, y, run = np.array([0.0, 1.0, 1.0]), np.zeros(3), np.array([0, 1, 1])
    assert find_overlaps(x, y, run, nearest(x, y, 2), np.full(3, 2.0)).tolist() == [False, True, True]


# ---- from plan to strips


@pytest.fixture(scope="module")
def planned():
    plan = plan_strips([0, 50, 100], seed=2, blocks=3, borders=1, header_width=6, applicator_width=6,
                       strip_length=300, width_unit="m")  # fmt: skip
    x, y = (
        np.array([0, 301, 301, 0]),
        np.array([0, 0, 66.3, 66.3]),
    )  # on a sphere, where the plan is on an ellipsoid
    boundary = np.column_stack([-93 + x / (DEGREE * np.cos(np.radians(44))), 44 + y / DEGREE])
    return plan, application_geojson(plan, boundary)


def harvest(plan, seed=4):
    """Log of the planned field: strips run along x, yield rises 0.4 bu/ac per lb."""
    strips = plan.table
    rates = strips["treatment"].to_numpy()
    log = made_log(passes=len(strips), length=150, seed=seed, noise=3,
                   field=lambda x, y: 150 + 0.4 * rates[(x / 6).astype(int)])  # fmt: skip
    turned = log.copy()
    turned["lat"] = 44 + (log["pass"] * 6 + 3) / DEGREE
    turned["lon"] = -93 + ((log["lat"] - 44) * DEGREE + 1) / (DEGREE * np.cos(np.radians(44)))
    return turned


def test_from_plan_to_harvested_strips(planned):
    plan, shapes = planned
    cleaned = clean_points(read(harvest(plan), name="field"), CleaningRules(edge_m=20, yield_low=50))
    means = strip_means(cleaned, shapes)
    assert len(means.table) == 9
    assert [c for c in means.table if c.startswith("rate_")] == ["rate_lb_ac"]
    assert [c for c in means.table if c.startswith("yield_")] == ["yield_bu_ac"]
    assert means.table["harvest_moisture_pct"].tolist() == pytest.approx([20.0] * 9)
    assert means.table["points"].between(100, 130).all()
    expected = 150 + 0.4 * means.table["rate_lb_ac"]
    assert means.table["yield_bu_ac"].tolist() == pytest.approx(expected.tolist(), abs=1.5)
    found = analyse_strips(means)
    assert found.error_df == 4
    assert found.p_value < 1e-3
    assert "not replicates" in means.summary()


def test_strip_means_saved_and_read_again_are_the_same(planned, tmp_path):
    plan, shapes = planned
    means = strip_means(clean_points(read(harvest(plan), name="field"), CleaningRules(edge_m=20)), shapes)
    means.table.to_csv(tmp_path / "means.csv", index=False)
    again = read_strips(tmp_path / "means.csv", crop="corn")
    assert again.table["yield_bu_ac"].tolist() == pytest.approx(
        means.table["yield_bu_ac"].tolist(), rel=1e-12
    )
    assert again.table["moisture_pct"].tolist() == pytest.approx([20.0] * 9)
    assert "not adjusted" in again.report.set_index("item").loc["yields", "taken_as"]
    assert "not adjusted" in again.summary()
    first, second = analyse_strips(means), analyse_strips(again)
    assert second.means["mean"].tolist() == pytest.approx(first.means["mean"].tolist(), rel=1e-12)
    assert second.lsd == pytest.approx(first.lsd, rel=1e-9)


def test_points_of_a_strip_are_no_replicates(planned):
    plan, _ = planned
    points = (
        harvest(plan).rename(columns={"pass": "strip"}).assign(block=1, rate_lb_ac=0.0, yield_bu_ac=150.0)
    )
    with pytest.raises(InputError, match="are not replicates"):
        analyse_strips(points)


def test_overlapping_strips_are_a_problem(planned):
    plan, shapes = planned
    wide = json.loads(json.dumps(shapes))
    inner = [f for f in wide["features"] if f["properties"]["kind"] == "strip"]
    ring = inner[0]["geometry"]["coordinates"][0]
    top = max(lat for _, lat in ring)
    inner[0]["geometry"]["coordinates"][0] = [[a, b + 4e-5 * (b == top)] for a, b in ring]
    with pytest.raises(InputError, match=r"overlap: \d+ points lie in both"):
        strip_means(clean_points(read(harvest(plan))), wide)


def test_bad_strips(planned, tmp_path):
    plan, shapes = planned
    cleaned = clean_points(read(harvest(plan)))
    broken = json.loads(json.dumps(shapes))
    inner = [f for f in broken["features"] if f["properties"]["kind"] == "strip"]
    inner[0]["properties"]["strip"] = None
    inner[1]["geometry"]["type"] = "Point"
    del inner[2]["properties"]["rate_lb_ac"]
    inner[4]["properties"]["strip"] = inner[3]["properties"]["strip"]
    with pytest.raises(InputError) as caught:
        strip_means(cleaned, broken)
    assert len(caught.value.problems) == 4
    with pytest.raises(InputError, match="file not found"):
        strip_means(cleaned, tmp_path / "none.geojson")
    with pytest.raises(LookupFailed, match="FeatureCollection"):
        strip_means(cleaned, {"type": "Feature"})
    far = json.loads(json.dumps(shapes).replace("-93.", "-83.").replace("-92.", "-82."))
    with pytest.raises(NotEstimable, match="same field"):
        strip_means(cleaned, far)


# ---- bad logs


def test_everything_wrong_with_a_log_at_once():
    log = made_log(passes=1, length=3).rename(columns={"flow": "grams", "width": "broad"}).drop(columns="lat")
    with pytest.raises(InputError) as caught:
        read_points(log, crop="corn")
    said = str(caught.value)
    for part in (
        "no column for the lat",
        "no column for the flow",
        "unit of the distance",
        "no header width",
    ):
        assert part in said


def test_text_in_a_number_names_its_line(tmp_path):
    path = tmp_path / "log.csv"
    log = made_log(passes=1, length=4).astype(object)
    log.loc[2, "moisture"] = "wet"
    log.to_csv(path, index=False)
    with pytest.raises(InputError) as caught:
        read(path)
    problem = caught.value.problems[0]
    assert (problem.row, problem.column, problem.value) == (4, "moisture", "wet")


def test_semicolons_and_decimal_commas(tmp_path):
    path = tmp_path / "log.csv"
    log = made_log(passes=1, length=4)
    log.to_csv(path, index=False, sep=";", decimal=",")
    assert read(path).points["yield_bu_ac"].tolist() == pytest.approx([150.0] * 4)


def test_nothing_left():
    with pytest.raises(NotEstimable, match="no point is left"):
        clean_points(read(made_log()), replace(NO_RULES, yield_low=1000))


def test_result_shows_itself(mankato):
    assert isinstance(mankato, YieldPoints)
    assert "points kept" in clean_points(mankato).summary()
    assert "<table" in clean_points(mankato)._repr_html_()


@pytest.mark.parametrize("n", [1, 2, 5, 12])
def test_a_pass_shorter_than_its_ends_leaves_nothing(n):
    log = pd.DataFrame({"lon": -93.0, "lat": 42 + np.arange(n) * 2e-5, "flow": 18.0, "seconds": 1,
                        "distance": 7.3, "width": 30.0, "moisture": 15.5})  # fmt: skip
    points = read_points(log, crop="corn", units={"flow": "lb/s", "distance": "ft", "width": "ft"})
    with pytest.raises(NotEstimable, match="no point is left after the step 'pass ends'"):
        clean_points(points)


def test_the_share_of_points_removed_is_of_all_points_read(mankato):
    cleaned = clean_points(mankato)
    row = cleaned.checks.set_index("check").loc["points removed [%]"]
    read, kept = len(mankato.points), int((cleaned.points["removed_by"] == "").sum())
    assert 0 < kept < read
    assert row["value"] == pytest.approx(100 * (read - kept) / read)
    assert f"{100 * (read - kept) / read:.0f}% of the points are removed" in row["meaning"]
