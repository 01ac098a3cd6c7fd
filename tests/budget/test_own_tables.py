"""A crop the kit has never seen, through needs, season and soil rates by tables; all numbers invented."""

import pandas as pd
import pytest

from fertkit.budget import farm_budget, nutrient_budget, season_demand, soil_rate
from fertkit.budget.own import checked_own
from fertkit.cli import main
from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.reference.profiles import by_family, read_profile

REMOVAL = (
    "crop;harvested_part;nutrient;value;unit;source_key\n"
    "lentil;grain;N;38,5;kg/Mg;MINE\nlentil;grain;P2O5;9;kg/Mg;MINE\nlentil;grain;Iodine;0,0002;kg/Mg;MINE\n"
    "lentil;grain;cobalt;0,0004;kg/Mg;MINE\n"
)
UPTAKE = (
    "crop,measure,nutrient,amount,amount_unit,yield_amount,yield_unit,source_key\n"
    "lentil,total,N,140,kg/ha,2,Mg/ha,MINE\nlentil,total,P2O5,24,kg/ha,2,Mg/ha,MINE\n"
)
TIMING = (
    "crop,kind,nutrient,stage,value,unit,source_key\n"
    "lentil,cumulative_fraction,N,first flower,0.4,,MINE\n"
    'lentil,cumulative_fraction,"N,P2O5",ripe,1,,MINE\n'
    "lentil,interval_fraction,P2O5,First flower to pod fill,0.3-0.5,,MINE\n"
    "lentil,peak_rate,N,first flower,3.5,kg/ha/day,MINE\n"
    "lentil,loss,N,ripe,0.1,,MINE\n"
)
STAGES = "crop,stage,days\nLentils,V6,30\nlentil,first flower,50\nlentil,pod fill,70\nlentil,ripe,95\n"
SYSTEMS = (
    "system,rule,rate_unit,yield_unit,years,removal_source\n"
    "consultant a,build-up and maintenance,kg/ha,,4,MINE\nconsultant b,table,kg/ha,,,\n"
    "consultant c,equation,lb/ac,t/ha,,\n"
)
LEVELS = (
    "system,crop,nutrient,extractant,depth_in,unit,parameter,low,high\n"
    "consultant a,lentil,P,Olsen,6,ppm,levels,10,18\n"
    "consultant b,lentil,K,Kelowna,6,ppm,test,,\nconsultant c,lentil,S,sulfate,6,ppm,test,,\n"
)
RATES = (
    "system,crop,nutrient,parameter,test_from,value,unit\n"
    "consultant a,lentil,P,build_per_unit,,12,kg P2O5/ha per ppm\n"
    "consultant b,lentil,K,rate,0,60,kg K2O/ha\nconsultant b,lentil,K,rate,100,30,kg K2O/ha\n"
    "consultant c,lentil,S,per_yield,,8,lb/ac per t/ha\nconsultant c,lentil,S,per_test,,-0.5,lb/ac per ppm\n"
)
NUTRIENTS = "nutrient,also\nI,iodine|jod\n"
TABLES = {"removal": REMOVAL, "uptake": UPTAKE, "timing": TIMING, "stages": STAGES, "systems": SYSTEMS,
          "levels": LEVELS, "rates": RATES, "names": NUTRIENTS}  # fmt: skip
KG_HA_PER_LB_AC = 0.45359237 / 0.40468564224  # NIST SP 811


@pytest.fixture
def written(tmp_path):
    def write(**changed):
        paths = []
        for name, text in (TABLES | changed).items():
            if text:
                paths.append(tmp_path / f"{name}.csv")
                paths[-1].write_text(text, encoding="utf-8")
        return paths

    return write


def refused(tables, *words):
    with pytest.raises(InputError) as error:
        checked_own(tables)
    for word in words:
        assert word in str(error.value)
    return [(p.row, p.column) for p in error.value.problems]


def test_needs_of_a_crop_with_nutrients_the_kit_has_never_seen(written):
    budget = nutrient_budget("lentil", 2.5, "t/ha", unit="kg/ha", own=written())
    shown = budget.defaults.set_index("nutrient")
    assert shown.index.tolist() == ["N", "P2O5", "Co", "I"]  # a name of one's own comes last
    assert shown.loc["N", ["uptake", "removed"]].tolist() == pytest.approx(
        [175, 96.25]
    )  # 70 and 38.5 a tonne
    assert shown.loc["I", "removed"] == pytest.approx(2.5 * 0.0002)
    alone = nutrient_budget("lentil", 2.5, "t/ha", own=written(), nutrients=["i"])
    assert set(alone.table["nutrient"]) == {"I"}
    with pytest.raises(InputError, match="row 4, column 'nutrient', value 'Iodine': not read"):
        nutrient_budget("lentil", 2.5, "t/ha", own=written(names="")[:2])


def test_the_season_of_a_crop_on_stages_of_its_own(written):
    demand = season_demand("lentil", 2.5, "t/ha", unit="kg/ha", own=written())
    assert demand.stages["stage"].tolist() == ["V6", "first flower", "pod fill", "ripe"]
    n = demand.at(50).set_index("nutrient").loc["N"]
    assert n["fraction"] == pytest.approx(0.4, abs=0.002)  # 40 % at first flower
    assert n["cumulative"] == pytest.approx(0.4 * 175, abs=0.4)
    share = demand.by_stage[demand.by_stage["nutrient"] == "P2O5"].set_index("stage")["fraction"]
    assert 0.3 - 1e-3 <= share["pod fill"] - share["first flower"] <= 0.5 + 1e-3
    assert share["ripe"] == pytest.approx(1, abs=1e-6)
    peak = demand.peaks.set_index("nutrient").loc["N"]
    assert peak["published_scaled"] == pytest.approx(3.5 * 2.5 / 2)  # measured at 2 t/ha
    assert peak["curve"] <= 3.5 * 2.5 / 2 * 1.001
    assert demand.totals.set_index("nutrient").loc["N", "at_harvest"] == pytest.approx(0.9 * 175)
    assert set(demand.sources["source_key"]) <= {"MINE", "stages"}
    assert "Days of stages after emergence: [stages]" in demand.summary()
    with pytest.raises(NotEstimable, match="with columns crop, kind"):
        season_demand("lentil", 2.5, "t/ha", own=written(timing=""))


def test_own_shares_of_a_known_crop_take_the_place_of_the_published():
    own = pd.DataFrame({"crop": "corn", "kind": "cumulative_fraction", "nutrient": "K", "stage": ["V6", "R1"],
                        "value": ["0.2", "1"], "source_key": "MINE"})  # fmt: skip
    demand = season_demand("corn", 200, own=own)
    used = demand.points[demand.points["used"]].groupby("nutrient")["source_key"].unique()
    assert used["K2O"].tolist() == ["MINE"]
    assert "MINE" not in used["N"]
    days = demand.stages.set_index("stage")["days"]
    k2o = demand.at(days["V6"]).set_index("nutrient").loc["K2O", "fraction"]
    assert k2o == pytest.approx(0.2, abs=0.01)
    assert demand.peaks[demand.peaks["nutrient"] == "K2O"]["listed"].eq(False).all()


@pytest.mark.parametrize(
    ("was", "now", "column", "words"),
    [
        ("first flower,0.4,", "first flower,40,", "value", "not a share"),
        ("N,first flower,0.4", "N,blooming,0.4", "stage", "its day is unknown"),
        ("cumulative_fraction,N", "cumulative,N", "kind", "unknown kind"),
        ("3.5,kg/ha/day", "3.5,kg/ha", "unit", "not a unit"),
        ("3.5,kg/ha/day", "about 3,kg/ha/day", "value", "not an amount"),
        ("First flower to pod fill", "First flower", "stage", "not a period"),
        ('"N,P2O5",ripe,1,', '"N,P2O5",ripe,0.3,', "value", "falls"),
        ("lentil,loss,N,ripe,0.1", "lentil,loss,N,ripe,a tenth", "value", "not a share"),
        ("N,first flower,0.4", "Nn,first flower,0.4", "nutrient", "not read"),
    ],
)
def test_rows_of_the_season_that_cannot_be_read_are_refused_by_row(written, was, now, column, words):
    assert was in TIMING
    found = refused(written(timing=TIMING.replace(was, now, 1)), words)
    assert column in {name for _, name in found}


def test_without_stages_a_share_has_days_and_the_uptake_an_end(written):
    row = "lentil,cumulative_fraction,N,{}\n"
    days = "crop,kind,nutrient,days,value\n" + row.format("40,0.4") + row
    paths = written(timing=days.format("90,1"), stages="")
    demand = season_demand("lentil", 2, "t/ha", own=paths, unit="kg/ha")
    assert demand.at(40)["cumulative"].item() == pytest.approx(0.4 * 140, abs=0.5)
    refused(written(timing=days.format("80,0.9"), stages=""), "the uptake of N has no last day")


def test_soil_rates_by_systems_of_ones_own(written, ask_systems):
    own = written()
    on = {"extractant": "Olsen", "depth_in": 6, "own": own, "unit": "kg/ha"}
    rate = soil_rate("consultant a", "P", 6, "lentil", 2, "t/ha", **on)
    assert rate.rate == pytest.approx((10 - 6) * 12 / 4 + 2 * 9)  # build-up in four years, and removal
    assert rate.zone == "build-up"
    kept = soil_rate("consultant a", "P", 12, "Lentils", 2, "t/ha", **on)
    assert (kept.rate, kept.zone) == (pytest.approx(18), "maintenance")
    line = soil_rate("consultant b", "K", 120, "lentil", 2, "t/ha", **on | {"extractant": "Kelowna"})
    assert line.rate == pytest.approx(30)
    sulfur = soil_rate("consultant c", "S", 4, "lentil", 2, "t/ha", **on | {"extractant": "sulfate"})
    assert sulfur.rate == pytest.approx((8 * 2 - 0.5 * 4) * KG_HA_PER_LB_AC)
    answers = ask_systems("P", [("Olsen", 6.0, 6.0, "ppm")], "lentil", 2, "t_ha", own=own)
    assert answers.loc["consultant a", "rate_lb_ac"] * KG_HA_PER_LB_AC == pytest.approx(30)
    with pytest.raises(LookupFailed, match="consultant a"):
        soil_rate("consultant a", "P", 6, "corn", 180, extractant="Olsen", depth_in=6)


@pytest.mark.parametrize(
    ("table", "was", "now", "words"),
    [
        ("systems", "consultant a", "tri_state_2020", ["the name belongs to a bundled system"]),
        ("systems", "consultant b,table,kg/ha,,,\n", "", ["rates.csv", "no system of that name"]),
        ("systems", "4,MINE", "4,YOURS", ["no table of removal has that key"]),
        ("levels", "consultant b,lentil,K,Kelowna,6,ppm,test,,\n", "", ["no levels under that name"]),
        ("levels", "levels,10,18", "levels,18,10", ["low is above high"]),
        ("levels", "levels,10,18", "levels,ten,18", ["not a level"]),
        ("levels", "levels,10,18\n", "levels,10,18\nconsultant a,all,P,Olsen,6,ppm,other,12,20\n",
         ["applies to the same field as row 2"]),
        ("rates", "build_per_unit", "build_per_ton", ["not read under the rule", "no rates of it for P"]),
        ("rates", "K,rate,0,60", "K,rate,,60", ["a table line without its test"]),
        ("rates", "K,rate,100,30,kg K2O/ha\n", "K,rate,100,30,x\nconsultant b,,K,rate,100,20,x\n",
         ["applies to the same field as row 4"]),
        ("rates", "lentil,S,per_test", "lentil,S,per_tests", ["not read under the rule equation"]),
        ("rates", "a,lentil,P,", "a,lentil,P2O5,", ["value 'P2O5': not read"]),
        # K2O holds 78.2 of 94.2 as K; 60 lb/ac are 67 kg/ha
        ("rates", "0,60,kg K2O/ha", "0,60,lbs K2O per acre", ["not the unit of the system's rates, kg/ha"]),
        ("rates", "0,60,kg K2O/ha", "0,60,%", ["row 3", "not the unit of the system's rates"]),
        ("rates", "0,60,kg K2O/ha", "0,60,kg K/ha", ["multiply the value by 1.205 and write K2O"]),
        ("rates", "0,60,kg K2O/ha", "0,60,kg P2O5/ha", ["an amount of P2O5, where rates are of K2O"]),
        ("rates", "ha per ppm", "ha per lb/ac", ["uses the test in ppm, not lb/ac"]),
        ("rates", "lb/ac per t/ha", "lb/ac per bu", ["uses the yield in t/ha, not bu/ac"]),
    ],
)  # fmt: skip
def test_soil_tables_that_would_go_unread_are_refused(written, table, was, now, words):
    assert was in TABLES[table]
    refused(written(**{table: TABLES[table].replace(was, now, 1)}), *words)


def test_rows_of_removal_and_uptake_that_contradict_each_other_in_any_unit(written):
    # 76 kg at 2 t/ha are 38 a tonne, 1.3 % below 38.5: rounding; 90 are 45
    held = UPTAKE.replace("source_key\n", "removed,source_key\n").replace("Mg/ha,MINE", "Mg/ha,{},MINE", 1)
    held = held.replace("Mg/ha,MINE", "Mg/ha,,MINE")
    assert checked_own(written(uptake=held.format(76)))
    assert refused(
        written(uptake=held.format(90)), "another value of the grain than row 2 of removal.csv"
    ) == [(2, "removed")]
    again = UPTAKE + "lentil,total,N,150,kg/ha,20,{},MINE\n"
    refused(written(uptake=again.format("dt/ha"), removal=REMOVAL), "not a known entry")
    again = UPTAKE + "lentil,total,N,150,kg/ha,2000,kg/ha,MINE\n"
    assert refused(written(uptake=again), "another value of the uptake at 1.78e+03 lb/ac than row 2") == [
        (4, "amount")
    ]
    index = "crop,measure,nutrient,harvest_index,amount,amount_unit,yield_amount,yield_unit\n"
    rows = "wheat,total,N,0.75,150,kg/ha,6,Mg/ha\nwheat,total,N,0.6,180,kg/ha,8,Mg/ha\n"
    assert refused(written(uptake=index + rows), "another value of the harvest index") == [
        (3, "harvest_index")
    ]


def test_cane_without_grain_is_sold_as_stalks():
    rows = {
        "crop": "sugar cane",
        "harvested_part": "stalks",
        "nutrient": "K2O",
        "value": 1.8,
        "unit": "kg/Mg",
    }
    cane = nutrient_budget("sugar cane", 90, "t/ha", unit="kg/ha", own=pd.DataFrame([rows]))
    assert cane.defaults["removed"].item() == pytest.approx(90 * 1.8)


def test_straw_is_used_with_its_grain_and_refused_without(written):
    rows = "crop,harvested_part,nutrient,value,unit\nwheat,straw,K2O,25,lb/ton\n"
    assert refused(written(removal=rows)[:1], "straw or stover without grain") == [(2, "nutrient")]
    both = rows + "wheat,grain,K2O,0.3,lb/bu\n"
    budget = nutrient_budget("wheat", 80, own=written(removal=both)[:1], residue=1.0, residue_ton_ac=3)
    assert budget.defaults.set_index("nutrient").loc["K2O", "removed"] == pytest.approx(80 * 0.3 + 3 * 25)
    whole = both + "wheat,grain plus straw,K2O,0.2,lb/bu\n"
    assert refused(written(removal=whole)[:1], "less than grain and straw") == [(4, "value")]


def test_words_nobody_reads_are_refused(written):
    moist = REMOVAL.replace("source_key\n", "moisture_basis;source_key\n").replace(
        "kg/Mg;MINE", "kg/Mg;{};MINE"
    )
    assert checked_own(written(removal=moist.format("14%", "", "0%", "")))
    assert refused(written(removal=moist.format("dry", "", "", "")), "moisture not read") == [
        (2, "moisture_basis")
    ]
    assert refused(written(uptake=UPTAKE.replace("140,kg/ha,2,Mg/ha", "140,kg/ha,,")), "without a") == [
        (2, "yield_unit"), (2, "yield_amount")
    ]  # fmt: skip
    assert refused(written(names="nutrient,unit\nI,%\n"), "not read of a nutrient") == [(2, "unit")]
    with pytest.raises(InputError, match="the columns are of no kind of table"):
        checked_own(pd.DataFrame({"block": [1], "rate": [0], "yield": [50]}))


LAB = "Sample,Crop,Stage,Part,K %\nNorth,Lentils,first flower,top leaflets,1.2\n"
RANGES = "crop,stage_from,stage_to,plant_part,nutrient,unit,low,high\n"
RANGES += "lentil,V6,V10,top leaflets,K,%,2.0,3.0\nlentil,first flower,pod fill,top leaflets,K,%,1.5,2.5\n"


@pytest.mark.usefixtures("undrawn")
def test_a_lentil_through_the_answer_for_a_field_with_a_profile(written, tmp_path, capsys):
    """Needs, season, leaf and strips of an unknown crop, its tables named in one profile file."""
    files = written()
    (tmp_path / "ranges.csv").write_text(RANGES)
    profile = tmp_path / "lentil.toml"
    profile.write_text(f"own = {[file.name for file in (*files, tmp_path / 'ranges.csv')]}\n")
    kept = read_profile(profile)
    assert kept == {"own": [*files, tmp_path / "ranges.csv"]}
    assert read_profile(profile, "leaf") == kept
    lab, strips = tmp_path / "lab.csv", tmp_path / "strips.csv"
    lab.write_text(LAB)
    yields = [1.5, 1.8, 2.0, 2.05, 1.6, 1.85, 2.1, 2.1]
    rows = zip([1] * 4 + [2] * 4, [0, 20, 40, 60] * 2, yields, strict=True)
    lines = "".join(f"{b},{x},{y}\n" for b, x, y in rows)
    strips.write_text("block,K2O kg/ha,yield t/ha\n" + lines)
    asked = ["--crop", "lentil", "--goal", "2.5", "--goal-unit", "t/ha", "--leaf", str(lab), "--strips",
             str(strips), "--nutrient-price", "1", "--grain-price", "400"]  # fmt: skip
    asked += ["--page", str(tmp_path / "field.html")]
    assert main(["field", *asked, "--profile", str(profile)]) in (0, None)
    said = capsys.readouterr().out
    assert "175" in said  # kg N a hectare: 2.5 t at 70 a tonne
    assert "K 1.2 %" in said
    assert "unknown crop" not in said
    assert main(["leaf", str(lab), "--profile", str(profile)]) in (0, None)
    assert "Short: K in North" in capsys.readouterr().out
    assert main(["leaf", str(lab), "--own", str(tmp_path / "ranges.csv")]) in (0, None)
    assert "Short: K in North" in capsys.readouterr().out


def test_a_profile_that_holds_no_choice_is_refused(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('sources = "MSU2017"\n[leaf]\nown = "x.csv"\n')
    with pytest.raises(InputError) as refused:
        read_profile(path)
    assert [p.column for p in refused.value.problems] == ["sources", "leaf.own"]
    path.write_text(
        'source = ["MSU2017", "quoted \\"key\\""]\nregion = "US Midwest"\n[leaf]\nwithout = "SOUZA2020"\n'
    )
    assert read_profile(path) == {"source": ["MSU2017", 'quoted "key"'], "region": "US Midwest"}
    assert read_profile(path, "leaf") == {"region": "US Midwest", "without": "SOUZA2020"}


def test_typed_sources_are_of_needs_or_of_leaf_tests():
    needs, leaf = by_family(
        {"source": ["MSU2017", "STAMMER2018"], "without": ["SOUZA2020"], "region": "Iowa"}
    )
    assert needs == {"source": ["MSU2017"], "region": "Iowa"}
    assert leaf == {"source": ["STAMMER2018"], "without": ["SOUZA2020"], "region": "Iowa"}


def test_a_source_left_out_shapes_no_season():
    whole = season_demand("soybean", 60)
    assert "BARTH2018" in set(whole.points["source_key"])
    without = season_demand("soybean", 60, without=["BARTH2018"])
    assert "BARTH2018" not in set(without.points["source_key"])


def test_a_region_that_changes_nothing_says_so():
    assert "has no study of" in nutrient_budget("soybean", 60, region="China").notes[0]
    changed = nutrient_budget("soybean", 60, region="brazil")  # in any case
    assert not any("region" in note for note in changed.notes)
    lead = nutrient_budget("wheat", 80, region="Kansas").defaults  # studies are of US Great Plains
    assert lead.equals(nutrient_budget("wheat", 80, region="US Great Plains").defaults)
    with pytest.raises(LookupFailed, match="unknown region"):
        nutrient_budget("wheat", 80, region="Atlantis")
    fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]})
    assert any(
        "The region China changes nothing" in note for note in farm_budget(fields, region="china").notes
    )
