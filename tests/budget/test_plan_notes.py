"""What the rows of a plan leave unsaid: the crop before, its nitrogen, what a manure holds."""

import pandas as pd
import pytest

from fertkit.budget.plan import plan_season
from fertkit.report.plan import PlanAnswer
from fertkit.say.plan_notes import plan_notes
from fertkit.say.plan_sheets import difference_lines

TWO = pd.DataFrame({"field": ["A", "A"], "year": [2026, 2027], "crop": ["corn", "corn"], "area_ac": [80, 80],
                    "yield_goal_bu_ac": [200.0, 200.0]})  # fmt: skip
SOIL = pd.DataFrame({"Field": ["A", "A"], "Depth (in)": ["0-8", "0-24"], "OM (%)": [3.0, None],
                     "P Bray-1 (ppm)": [12, None], "Nitrate-N (ppm)": [None, 6]})  # fmt: skip


def rate(plan, nutrient, year):
    table = plan.targets.table
    return table[(table["nutrient"] == nutrient) & (table["year"] == year)].iloc[0]


def planned(fields, **options):
    return plan_season(fields, SOIL, region="Nebraska", **options)


@pytest.mark.parametrize("before", [None, "corn", "Corn silage"])
def test_corn_after_the_corn_of_the_year_before_is_corn_after_corn(before):
    # EC117: (25 - Bray-P1) x 4 for continuous corn, (25 - 12) x 4 = 52 lb of P2O5
    plan = planned(TWO.assign(previous_crop=["soybean", before]))
    assert rate(plan, "P2O5", 2027)["rate_lb_ac"] == pytest.approx((25 - 12) * 4)
    assert rate(plan, "P2O5", 2026)["system"] == ""
    taken = "previous crop not stated, taken from the row of the year before: A 2027 (corn)"
    assert (taken in plan_notes(plan)) == (before is None)
    assert not any("contradicted" in note for note in plan_notes(plan))


def test_nitrogen_of_a_legume_that_a_row_grows_is_credited_to_the_next():
    # NPNRD: Nebraska credits 40 lb of N after dry beans
    beans = TWO.assign(crop=["dry bean", "corn"], yield_goal_bu_ac=[45.0, 200.0])
    alone = planned(TWO.iloc[1:])
    after = planned(beans.drop(columns="yield_goal_bu_ac").assign(yield_goal_lb_ac=[2500.0, 200 * 56]))
    assert rate(alone, "N", 2027)["rate_lb_ac"] - rate(after, "N", 2027)["rate_lb_ac"] == pytest.approx(40)


@pytest.mark.parametrize("word", ["hairy vetch", "red clover"])
def test_a_crop_before_that_no_table_knows_is_told(word):
    notes = plan_notes(planned(TWO.iloc[1:].assign(previous_crop=word)))
    assert any(f"unknown here, so nothing is credited for it: A 2027 ({word})" in note for note in notes)
    assert not any("unknown" in n for n in plan_notes(planned(TWO.iloc[1:].assign(previous_crop="fallow"))))


def test_a_legume_whose_nitrogen_is_published_elsewhere_alone_is_told():
    # LEGUME_CREDITS and NPNRD print nothing of soybean
    fields = TWO.iloc[1:].assign(previous_crop="soybean")
    said = "no nitrogen credit for soybean before is published here: A 2027"
    assert any(said in note for note in plan_notes(planned(fields)))
    own = pd.DataFrame({"field": ["A"], "nutrient": ["N"], "kind": ["legume"], "low_lb_ac": [40.0],
                        "high_lb_ac": [50.0]})  # fmt: skip
    for told in ({"credits": own}, {"policy": {"N": 150}}):
        assert not any("no nitrogen credit" in note for note in plan_notes(planned(fields, **told)))
    alfalfa = fields.assign(previous_crop="alfalfa")
    assert not any("no nitrogen" in n for n in plan_notes(planned(alfalfa)))
    # five states print a credit after alfalfa (LEGUME_CREDITS, NPNRD); without a region none is chosen
    by_removal = {"policy": {"N": "removal"}}
    apart = plan_notes(plan_season(alfalfa, **by_removal))
    assert any("alfalfa before is taken without a region: A 2027; name the region" in n for n in apart)
    assert not any(
        "no nitrogen" in n for n in plan_notes(plan_season(alfalfa, region="Kansas", **by_removal))
    )


def test_what_a_manure_holds_is_asked_for_where_nobody_knows_it():
    # NRCS_MANURE2009 is carried for nitrogen alone; RB209_2010 for all three of cattle farmyard manure
    spread = TWO.iloc[1:].assign(manure="dairy cow manure", manure_rate_ton_ac=20.0)
    said = "{} of the manure counted nowhere, as its content is not known: A; give its analysis [lb/ton]"
    assert said.format("P2O5 and K2O") in plan_notes(plan_season(spread))
    some = spread.assign(manure_p2o5_lb_ton=6.0, starter="10-34-0", starter_rate_gal_ac=5.0)
    assert said.format("K2O") in plan_notes(plan_season(some))
    pit = TWO.iloc[1:].assign(manure="pit", manure_rate_gal_ac=4000.0, **{"Manure N (lb/1,000 gal)": 30.0})
    assert said.format("P2O5 and K2O").replace("ton", "1000 gal") in plan_notes(plan_season(pit))
    known = spread.assign(manure="cattle farmyard manure")
    assert not any("content" in note for note in plan_notes(plan_season(known)))


def test_what_is_left_is_told_with_its_sign_season_by_season():
    # 10 ton of cattle farmyard manure hold 64 lb of P2O5 (RB209_2010), of which 0.4 are counted on the rate
    # (OMAF_MANURE2013): 64 - 25.6 = 38.4 lb more than removal, that the rate makes up; 0 the year after
    spread = TWO.assign(manure=["cattle farmyard manure", ""], manure_rate_ton_ac=[10.0, None])
    said = [str(line) for line in PlanAnswer(plan_season(spread)).lines()]
    assert "P2O5 carried over: 3,072 lb over 2 seasons (balance +3,072 in 2026, 0 in 2027)." in said
    short = plan_season(spread, policy={"P2O5": 0})
    text = next(str(line) for line in PlanAnswer(short).lines() if "P2O5 drawn" in str(line))
    assert "(balance -" in text


def test_areas_of_a_small_farm_add_up():
    small = pd.DataFrame({"field": ["A", "B"], "crop": ["corn", "wheat"], "area_ha": [12.5, 8.2],
                          "yield_goal_t_ha": [10.0, 8.0]})  # fmt: skip
    first = str(PlanAnswer(plan_season(small, unit="as areas")).lines()[0])
    assert "20.7 ha (corn 12.5, wheat 8.2)" in first


def test_cautions_of_silage_stand_where_silage_or_straw_is_cut():
    """Nitrate in forage is of hay, silage, straw and stover (table cautions), not of grain."""
    grain = planned(TWO, policy={"N": 150})
    topics = set(grain.cautions["topic"])
    assert not {"silo gas", "nitrate in forage"} & topics
    assert "nitrate loss" in topics
    baled = set(planned(TWO.assign(residue=0.5), policy={"N": 150}).cautions["topic"])
    assert "nitrate in forage" in baled
    assert "silo gas" not in baled


def test_a_pass_that_no_crop_can_use_is_named():
    shed = pd.DataFrame({"Product": ["urea", "Potash 0-0-60", "MAP 11-52-0"], "Price": ["$560/ton"] * 3})
    ways = pd.DataFrame({"Pass": ["spring", "wheat topdress"], "Method": ["broadcast", "topdress"],
                         "Cost ($/ac)": [8.0, 9.0], "Earliest": ["preplant", "Feekes 4"],
                         "Latest": ["preplant", "Feekes 6"], "Crop": ["", "wheat"]})  # fmt: skip
    notes = plan_notes(planned(TWO.iloc[:1], shed=shed, passes=ways, policy={"N": 150}))
    assert "no crop of the season can use the pass 'wheat topdress' (for another crop)" in notes
    assert not any("'spring'" in note for note in notes)


@pytest.mark.parametrize("named", ["wheat", "corn; Wheat", "Winter wheat", ""])
def test_a_pass_of_a_crop_is_one_of_its_classes_however_it_is_written(named):
    # all nitrogen goes on before planting, and a pass at tillering is there under each name of the crop
    field = pd.DataFrame(
        {"field": ["B"], "crop": ["winter wheat"], "area_ac": [40], "yield_goal_bu_ac": [75]}
    )
    shed = pd.DataFrame({"Product": ["urea"], "Price ($/ton)": [560]})
    passes = pd.DataFrame({"Pass": ["drill", "dress"], "Method": ["broadcast"] * 2, "Cost per acre": [7, 8],
                           "Earliest": ["preplant", "Z30"], "Latest": ["preplant", "Z31"],
                           "Crop": ["", named]})  # fmt: skip
    none = passes.assign(Crop=["", "corn"])
    asked = {"shed": shed, "policy": {"N": 120, "P": "none", "K": "none"}}
    wait, idle = (
        plan_season(field, passes=some, **asked).season.set_index("nutrient").loc["N", "can_wait_lb_ac"]
        for some in (passes, none)
    )
    assert wait > 0
    assert not idle > 0


def test_no_system_is_not_one_system():
    # without a soil test no published rate of P2O5 or K2O stands beside another
    said = [str(line) for line in difference_lines(PlanAnswer(plan_season(TWO)))]
    assert said == ["No published system gives a rate for these fields."]


def test_passes_that_cost_nothing_are_told_to_bring_any_amount():
    shed = pd.DataFrame({"Product": ["urea", "MAP 11-52-0"], "Price": ["$560/ton"] * 2})
    ways = pd.DataFrame({"Pass": ["spring", "planter band"], "Method": ["broadcast", "band"],
                         "Cost ($/ac)": [0.0, 0.0], "Earliest": ["preplant", "planting"],
                         "Latest": ["preplant", "planting"], "Max products": [1, 1]})  # fmt: skip
    plan = planned(TWO.iloc[:1], shed=shed, passes=ways, policy={"N": 150, "P2O5": 40, "K": "none"})
    told = [note for note in plan_notes(plan) if "too small to spread where a pass costs nothing" in note]
    assert set(plan.passes.applications["pass"]) == {"spring", "planter band"}  # a product each
    assert len(told) == 1
    assert "'planter band'" in told[0]
    paid = planned(TWO.iloc[:1], shed=shed, passes=ways.assign(**{"Cost ($/ac)": 8.0}),
                   policy={"N": 150, "P2O5": 40, "K": "none"})  # fmt: skip
    assert not any("costs nothing" in note for note in plan_notes(paid))


def test_manure_of_the_year_before_is_credited_where_its_second_year_is_published():
    # NPNRD: beef feedlot manure brings 4 to 6 lb of N a ton in the first year and about half of it, 2 to 3,
    # in the second: of 10 ton 50 and 25 lb/ac in the middle
    spread = TWO.assign(manure=["beef feedlot manure", ""], manure_rate_ton_ac=[10.0, None])
    plan = plan_season(spread, policy={"N": "removal"})
    credits = plan.targets.credits.query("nutrient == 'N'").set_index("year")
    assert credits["kind"].to_dict() == {2026: "manure", 2027: "earlier manure"}
    assert credits["taken_lb_ac"].tolist() == pytest.approx([50.0, 25.0])
    assert credits.loc[2027, ["low_lb_ac", "high_lb_ac", "source_key"]].tolist() == [20.0, 30.0, "NPNRD"]
    later = plan_season(spread.assign(year=[2026, 2028]), policy={"N": "removal"}).targets.credits
    assert set(later["kind"]) == {"manure"}


def test_a_second_year_of_a_legume_told_in_words_alone_is_told():
    # LEGUME_CREDITS prints of Idaho alone what alfalfa brings in the second year: about half
    after = TWO.assign(previous_crop=["alfalfa", "corn"])
    said = "nitrogen of alfalfa two years before is not counted: A 2027; about half in the second year"
    assert any(said in note for note in plan_notes(plan_season(after, region="Idaho")))
    assert not any("two years" in note for note in plan_notes(plan_season(after, region="Kansas")))
