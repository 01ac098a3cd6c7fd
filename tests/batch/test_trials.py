"""Batches of rate trials: the numbers are those of the survey, and a bad trial is a row."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fertkit.batch import run_batch
from fertkit.batch.trials import page_name, seed_of
from fertkit.errors import FertkitError, InputError, LookupFailed, NotEstimable, PriceError
from fertkit.intake.strips import read_strips
from fertkit.report import answer_trial
from fertkit.response import optima_of_trials

NUMBERS = ["lowest_rate", "highest_rate", "optimum", "low", "high"]


def batch(source, out, **options):
    options = {"price_ratio": 0.008, "progress": False} | options
    return run_batch(source, out, **options)


#: Rows in another order or trials beside others are summed in another order; an end of an interval that the
#: yields hardly settle then moves by up to a hundred-thousandth of the rates tested [kg/ha].
ROUNDING = {"rtol": 1e-6, "atol": 2e-3}


def same_numbers(one, other, exact=True):
    left, right = (t.drop(columns="file").sort_values("trial", ignore_index=True) for t in (one, other))
    pd.testing.assert_frame_equal(left, right, **({"check_exact": True} if exact else ROUNDING))


def test_open_data_as_surveyed_directly(broadbalk, tmp_path):
    broadbalk.to_parquet(tmp_path / "years.parquet", index=False)
    found = batch(tmp_path / "years.parquet", tmp_path / "out", price_ratio=0.005).table
    direct = optima_of_trials(broadbalk, "trial", 0.005)
    pd.testing.assert_frame_equal(found[direct.columns], direct, check_dtype=False, check_exact=True)
    assert set(found["rate_unit"] + " " + found["yield_unit"]) == {"kg/ha t/ha"}


def test_prices_give_the_ratio(broadbalk, tmp_path):
    broadbalk.to_csv(tmp_path / "years.csv", index=False)
    one = batch(tmp_path / "years.csv", tmp_path / "a", price_ratio=0.005)
    two = batch(tmp_path / "years.csv", tmp_path / "b", price_ratio=None, nutrient_price=1, grain_price=200)
    same_numbers(one.table, two.table)


def test_columns_named_by_the_user(broadbalk, tmp_path):
    names = {"rate_kg_ha": "Given", "yield_t_ha": "Got"}
    broadbalk.rename(columns=names).to_csv(tmp_path / "years.csv", index=False)
    columns = {"rate": "Given", "response": "Got"}
    found = batch(tmp_path / "years.csv", tmp_path / "out", price_ratio=0.005, **columns).table
    direct = optima_of_trials(broadbalk, "trial", 0.005)
    pd.testing.assert_frame_equal(found[NUMBERS], direct[NUMBERS], check_exact=True)


@pytest.fixture(scope="module")
def drawn(many_trials, tmp_path_factory):
    home = tmp_path_factory.mktemp("drawn")
    table = many_trials(23)
    table.to_parquet(home / "all.parquet", index=False)
    return home, table, batch(home / "all.parquet", home / "out").table


def test_csv_and_parquet_alike(drawn):
    home, table, whole = drawn
    table.to_csv(home / "all.csv", index=False)
    same_numbers(batch(home / "all.csv", home / "csv").table, whole)


def test_partitioned_parquet_in_and_out(drawn):
    home, table, whole = drawn
    table = table.assign(year=np.where(table["trial"] < "T012", 2024, 2025))
    table.to_parquet(home / "hive", partition_cols=["year"], index=False)
    result = batch(home / "hive", home / "from_hive", by=["year", "trial"], part_size=5)
    same_numbers(result.table.drop(columns="year"), whole, exact=False)
    assert set(result.table["year"]) == {"2024", "2025"}
    parts = pd.read_parquet(result.parts)
    assert len(list(result.parts.iterdir())) == 5
    pd.testing.assert_frame_equal(parts, result.table, check_dtype=False)


@settings(
    max_examples=5, deadline=None, phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(size=st.integers(1, 10), order=st.randoms(use_true_random=False))
def test_neither_parts_nor_the_order_of_rows_move_a_number(drawn, tmp_path_factory, size, order):
    _, table, whole = drawn
    rows = list(np.flatnonzero(table["trial"] < "T008"))
    order.shuffle(rows)
    home = tmp_path_factory.mktemp("shuffled")
    table.iloc[rows].to_csv(home / "rows.csv", index=False)
    found = batch(home / "rows.csv", home / "out", part_size=size).table
    same_numbers(found, whole[whole["trial"] < "T008"], exact=False)


def test_rows_read_in_small_pieces(drawn, monkeypatch):
    home, table, whole = drawn
    monkeypatch.setattr("fertkit.batch.sources.PIECE", 50)
    few = table[table["trial"] < "T008"]
    few.to_csv(home / "few.csv", index=False)
    few.to_parquet(home / "few.parquet", index=False, row_group_size=30)
    one, two = (batch(home / f"few.{kind}", home / f"few_{kind}").table for kind in ("csv", "parquet"))
    same_numbers(one, two)
    same_numbers(one, whole[whole["trial"] < "T008"], exact=False)


def test_without_pyarrow(drawn, monkeypatch):
    home, table, whole = drawn
    monkeypatch.setattr("fertkit.batch.parts.find_spec", lambda _: None)
    table.to_csv(home / "plain.csv", index=False)
    result = batch(home / "plain.csv", home / "plain")
    assert result.file.name == "results.csv"
    same_numbers(result.table, whole)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_bad_trials_are_rows_that_say_where(many_trials, tmp_path, kind):
    table = many_trials(6).astype({"yield_t_ha": object, "trial": object})
    at = table.index[table["trial"] == "T001"][2]
    table.loc[at, "yield_t_ha"] = "much"
    table.loc[table.index[table["trial"] == "T002"][1], "rate_kg_ha"] = -40.0
    table.loc[table["trial"] == "T003", "rate_kg_ha"] = 40.0
    table.loc[table.index[table["trial"] == "T004"][:2], "trial"] = None
    file = tmp_path / f"t.{kind}"
    table = table.astype({"yield_t_ha": str})
    table.to_csv(file, index=False) if kind == "csv" else table.to_parquet(file, index=False)
    result = batch(file, tmp_path / "out")
    rows = result.table.set_index("trial")
    assert list(rows.index[rows["status"] != "not usable"]) == ["T000", "T004", "T005"]
    for part in (f"t.{kind}", f"row {at + 2}", "column 'yield_t_ha'", "value 'much'", "not a number"):
        assert part in rows.loc["T001", "message"]
    assert "value '-40.0'" in rows.loc["T002", "message"]
    assert "all rates are equal" in rows.loc["T003", "message"]
    assert "2 rows without a trial" in rows.loc["", "message"]
    assert "Not usable: 4" in result.summary()
    written = pd.read_csv(tmp_path / "out" / "results.csv", keep_default_na=False, dtype=str)
    blank = written.loc[written["status"] == "not usable", ["n_rates", *NUMBERS, "high_open"]]
    assert set(blank.to_numpy().ravel()) == {""}  # what was not counted is no 0
    counted = table[table["trial"].isin(["T000", "T004", "T005"])].groupby("trial")["rate_kg_ha"].nunique()
    assert rows["n_rates"].mean() == pytest.approx(counted.mean())
    good = many_trials(6).pipe(lambda t: t[t["trial"] == "T005"])
    direct = optima_of_trials(good, "trial", 0.008)
    np.testing.assert_allclose(rows.loc[["T005"], NUMBERS], direct[NUMBERS], rtol=1e-6)


STRIPS = "Trial,Block,N rate (kg/ha),Yield (t/ha)\n"


def strip_lines(trial, bad=None):
    lines = [
        f"{trial},{b},{r},{5 + r / 60 - r * r / 20000 + b / 10:.2f}"
        for b in (1, 2, 3)
        for r in (0, 50, 100, 150)
    ]
    return "\n".join([*lines[:-1], bad or lines[-1]]) + "\n"


def test_a_folder_of_files(tmp_path):
    home = tmp_path / "fields"
    home.mkdir()
    (home / "a.csv").write_text(
        STRIPS + strip_lines("A1") + strip_lines("A2", "A2,3,150,much") + strip_lines("A3")
    )
    (home / "b.csv").write_text((STRIPS + strip_lines("B1")).replace("kg/ha", "lb/ac"))
    (home / "c.csv").write_text("nothing,here\n1,2\n")
    (home / "d.xlsx").write_bytes(b"PK\x03\x04 broken")
    (home / "e.csv").write_text((STRIPS + strip_lines("E1")).replace(",", ";").replace(".", ","))
    result = batch(home, tmp_path / "out")
    rows = result.table
    assert list(rows.loc[rows["status"] != "not usable", "trial"]) == ["A1", "A3", "E1"]
    assert set(rows["nutrient"]) - {""} == {"N"}
    told = rows.set_index("file")["message"]
    assert "row 25" in rows.loc[rows["trial"] == "A2", "message"].item()
    assert "'much'" in rows.loc[rows["trial"] == "A2", "message"].item()
    assert "prices are for kg/ha" in told["b.csv"]
    assert all(told[f] for f in ("c.csv", "d.xlsx"))
    assert list(rows["file"][rows["n"].isna()]) == ["a.csv", "c.csv", "d.xlsx"]
    optima = rows.set_index("trial")["optimum"]
    assert optima["A1"] == pytest.approx(optima["E1"])


def test_the_page_says_once_what_holds_of_a_whole_file(tmp_path):
    """Three trials of one file with a column that is not used: each row of the table has the note."""
    lines = [f"{t},{b},{rate},{90 + rate / 3 - rate**2 / 900 + b + t},a"
             for t in (1, 2, 3) for b in (1, 2) for rate in (0, 50, 100, 150)]  # fmt: skip
    (tmp_path / "in").mkdir()
    text = "\n".join(["trial,block,N rate (lb/ac),yield (bu/ac),Agent", *lines, ""])
    (tmp_path / "in" / "one.csv").write_text(text)
    result = batch(tmp_path / "in", tmp_path / "out")
    assert result.table["notes"].str.contains("not used").sum() == 3
    page = result.index.read_text(encoding="utf-8")
    assert page.count("not used: column") == 1
    assert page.count("as above") == 2


def test_an_unreadable_file_of_a_data_set_is_a_row(many_trials, tmp_path):
    home = tmp_path / "set"
    home.mkdir()
    many_trials(3).to_parquet(home / "a.parquet", index=False)
    (home / "b.parquet").write_bytes(b"PAR1 torn")
    rows = batch(home, tmp_path / "out").table
    assert list(rows["status"] == "not usable") == [False, False, False, True]
    assert "b.parquet: not readable" in rows["message"].iloc[-1]


HOSTILE = [
    "../../etc/passwd",
    "/abs/olute",
    "a\x00b",
    "=1+1",
    "<script>x</script>",
    "CON",
    "n" * 400,
    "..",
    "ü/\\:*",
]


def test_hostile_names_stay_names(many_trials, tmp_path):
    table = many_trials(len(HOSTILE))
    names = dict(zip(sorted(table["trial"].unique()), HOSTILE, strict=True))
    table = table.assign(trial=table["trial"].map(names))
    table.to_parquet(tmp_path / "t.parquet", index=False)
    before = set(tmp_path.parent.iterdir())
    result = batch(tmp_path / "t.parquet", tmp_path / "out", part_size=4)
    assert sorted(result.table["trial"]) == sorted(HOSTILE)
    assert "\n'=1+1," in (tmp_path / "out" / "results.csv").read_text().replace("t.parquet,", "")
    page = result.index.read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert set(tmp_path.parent.iterdir()) == before
    made = {p.relative_to(tmp_path / "out").as_posix() for p in (tmp_path / "out").rglob("*")}
    parts = {f"parts/part-0000{i}.parquet" for i in range(3)}
    assert (
        made == {"run.json", "parts.sha256", "index.html", "results.parquet", "results.csv", "parts"} | parts
    )


@pytest.mark.parametrize(
    ("options", "kind", "words"),
    [
        ({"price_ratio": -1}, PriceError, "price ratio"),
        ({"nutrient_price": 1}, FertkitError, "not both"),
        ({"kind": "fields"}, LookupFailed, "trials"),
        ({"part_size": 0}, InputError, "part_size"),
        ({"by": "farm"}, InputError, "farm"),
        ({"level": 2}, FertkitError, "level"),
    ],
)
def test_impossible_questions_leave_nothing(drawn, tmp_path, options, kind, words):
    with pytest.raises(kind, match=words):
        batch(drawn[0] / "all.parquet", tmp_path / "out", **options)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("made", ["nothing", "empty", "mixed"])
def test_no_input(tmp_path, made):
    home = tmp_path / "in"
    if made != "nothing":
        home.mkdir()
    if made == "mixed":
        (home / "a.csv").write_text("x")
        (home / "b.parquet").write_bytes(b"x")
    with pytest.raises(InputError, match="in:"):
        batch(home, tmp_path / "out")


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_a_data_set_without_rows(many_trials, tmp_path, kind):
    table = many_trials(1).head(0)
    file = tmp_path / f"t.{kind}"
    table.to_csv(file, index=False) if kind == "csv" else table.to_parquet(file, index=False)
    with pytest.raises(InputError, match=f"t.{kind}: .*\n.*columns but no rows"):
        batch(file, tmp_path / "out")


def test_more_than_one_nutrient_is_said(many_trials, tmp_path):
    table = many_trials(4)
    table["nutrient"] = np.where(table["trial"] < "T002", "N", "K2O")
    table.to_csv(tmp_path / "t.csv", index=False)
    result = batch(tmp_path / "t.csv", tmp_path / "out")
    assert "several nutrients (K2O, N)" in result.summary()


def test_every_verb(drawn):
    home, _, whole = drawn
    result = batch(home / "all.parquet", home / "out")
    assert list(result.checks.columns)[:2] == ["check", "value"]
    assert result.checks.set_index("check").loc["not usable", "meaning"] == "all could be used"
    assert "<td>interior</td>" not in result.index.read_text(encoding="utf-8")
    assert set(result.sources["source_key"]) >= {"MATAVEL2024"}
    assert "23 trials: 23 usable" in result.summary()
    drawn_trials = sum(patch.get_height() for bars in result.plot().containers for patch in bars.patches)
    assert drawn_trials == len(whole)
    assert "T000" in result._repr_html_()


@pytest.mark.parametrize("name", HOSTILE)
def test_page_names_are_plain(name):
    assert re.fullmatch(r"[a-z0-9][a-z0-9-]*-[0-9a-f]{12}\.html", page_name("a.csv", [name]))
    assert len(page_name("a.csv", [name])) < 70
    assert page_name("a.csv", [name]) != page_name("b.csv", [name])


def test_pages_of_single_trials(many_trials, tmp_path):
    table = many_trials(2).replace({"trial": {"T000": "../<b>up", "T001": "Low \u00fc"}})
    table.loc[table["trial"] != "../<b>up", "rate_kg_ha"] = 10.0
    table["nutrient"] = "N"
    table.to_parquet(tmp_path / "t.parquet", index=False)
    options = {"price_ratio": None, "nutrient_price": 1.0, "grain_price": 125.0, "pages": True}
    result = batch(tmp_path / "t.parquet", tmp_path / "out", **options)
    (page,) = (tmp_path / "out" / "pages").iterdir()
    assert f'href="pages/{page.name}">../&lt;b&gt;up</a>' in result.index.read_text(encoding="utf-8")
    assert "<b>up" not in page.read_text(encoding="utf-8")


def test_the_seed_of_a_trial_is_its_own():
    assert seed_of(1, "a", ["T"]) == seed_of(1, "a", ["T"])
    assert len({seed_of(s, f, [t]) for s in (1, 2) for f in "ab" for t in "TU"}) == 8


def test_a_file_of_treatments_without_rates_is_a_row_with_its_reason(tmp_path):
    cases = Path(__file__).parents[1] / "cases" / "strips"
    for name in ("treatment_names.csv", "merged_blocks.csv"):
        (tmp_path / "in").mkdir(exist_ok=True)
        (tmp_path / "in" / name).write_bytes((cases / name).read_bytes())
    result = run_batch(tmp_path / "in", tmp_path / "out", nutrient_price=0.5, grain_price=4.5)
    rows = result.table.set_index("file")
    assert "treatments without rates" in rows.loc["treatment_names.csv", "message"]
    # 126 at 0.50 and 4.50, by tests/cases/README.md.
    assert rows.loc["merged_blocks.csv", "optimum"] == pytest.approx(126, abs=0.5)


CASES = Path(__file__).parents[1] / "cases"


def test_doubtful_strips_and_notes_of_a_file_are_in_the_table_and_the_summary(tmp_path):
    # cases/README: a zero is refused unless it was measured; 22 to 26 are lines of means.
    home = tmp_path / "in"
    home.mkdir()
    for name in ("one_zero.csv", "mean_rows.csv"):
        (home / name).write_bytes((CASES / "strips" / name).read_bytes())
    asked = batch(home, tmp_path / "asked", price_ratio=0.5 / 4.5)
    rows = asked.table.set_index("file")
    assert list(rows["status"] == "not usable") == [False, True]
    assert "zero" in rows.loc["one_zero.csv", "message"]
    assert rows.loc["mean_rows.csv", "doubtful"] == ""
    assert "lines 22 to 26 set aside" in rows.loc["mean_rows.csv", "notes"]
    assert "far from the rest" not in asked.summary()
    told = batch(home, tmp_path / "told", price_ratio=0.5 / 4.5, real_yields=True)
    row = told.table.set_index("file").loc["one_zero.csv"]
    assert "block 2, row 9 at 100 lb/ac (0 where" in row["doubtful"]
    assert "block 3, row 16 at 200 lb/ac (165 where" in row["doubtful"]
    assert "Note: 1 trial holds outlying strips" in told.summary()
    assert "(165 where" in told.index.read_text(encoding="utf-8")
    assert '"real_yields": true' in (tmp_path / "told" / "run.json").read_text()
    with pytest.raises(FertkitError, match="real yields differs"):
        batch(home, tmp_path / "told", price_ratio=0.5 / 4.5)


def test_doubtful_rows_of_a_data_set_are_named(many_trials, tmp_path):
    table = many_trials(3)
    table.loc[table.index[table["trial"] == "T001"][3], "yield_t_ha"] = 0.0
    table.to_csv(tmp_path / "t.csv", index=False)
    rows = batch(tmp_path / "t.csv", tmp_path / "out").table.set_index("trial")
    assert "block 1 at 120 kg/ha (0 where" in rows.loc["T001", "doubtful"]


def test_a_product_with_its_analysis(tmp_path):
    # 3.0 lb of N in a gallon of 10.66 lb with 28 % N (10.66 x 0.28 = 2.985).
    file = CASES / "strips" / "product_gallons.csv"
    told = batch(file, tmp_path / "told", price_ratio=0.1, analysis="28-0-0", density=10.66).table
    gallons = pd.read_csv(file).filter(like="gal").iloc[:, 0]
    assert told["highest_rate"].item() == pytest.approx(gallons.max() * 2.9848)
    assert told["rate_unit"].item() == "lb/ac"
    with pytest.raises(NotEstimable, match="analysis: only for strip files"):
        run_batch(CASES / "leaf" / "two_years.csv", tmp_path / "no", "samples", analysis="28-0-0")


def test_a_batch_doubts_prices_by_the_highest_rate(tmp_path):
    """20 a lb over 4.5 a bushel of 25 to 60 lb is 111 to 267: usual for a trace element, not at 160 lb/ac."""
    for name, top in (("low", 16), ("high", 160)):
        home = tmp_path / name
        home.mkdir()
        lines = [f"{b},{r},{90 + 0.4 * r + b}" for b in (1, 2, 3) for r in (0, top / 4, top / 2, top)]
        (home / "one.csv").write_text("\n".join(["Rep,Rate (lb/ac),Yield (bu/ac)", *lines, ""]))
        result = run_batch(home, tmp_path / f"{name} out", nutrient_price=20, grain_price=4.5)
        assert ("check the units of the prices" in result.summary()) is (name == "high")


def test_a_note_of_one_trial_stands_in_the_row_of_that_trial(tmp_path):
    """Trial 2 has two lines of each rate in a block, the others one."""
    lines = [f"{t},{b},{rate},{90 + rate / 3 - rate**2 / 900 + b + t + part / 2}"
             for t in (1, 2, 3) for b in (1, 2) for rate in (0, 50, 100, 150)
             for part in range(1 + (t == 2))]  # fmt: skip
    (tmp_path / "in").mkdir()
    text = "\n".join(["trial,block,N rate (lb/ac),yield (bu/ac)", *lines, ""])
    (tmp_path / "in" / "one.csv").write_text(text)
    table = batch(tmp_path / "in", tmp_path / "out").table.set_index("trial")
    assert table["notes"].str.contains("16 lines").to_dict() == {"1": False, "2": True, "3": False}
    strips = read_strips(tmp_path / "in" / "one.csv")
    said = {name: answer_trial(strips, name=name, nutrient_price=0.5, grain_price=4).notes for name in "123"}
    assert {name: any("16 lines" in note for note in notes) for name, notes in said.items()} == {
        "1": False, "2": True, "3": False,
    }  # fmt: skip
