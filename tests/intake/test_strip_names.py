"""Headers and names of strip files as other hands write them: products, main plots, numbers with a name."""

import io

import pandas as pd
import pytest

from fertkit.errors import InputError
from fertkit.intake import read_strips

#: Yields [bu/ac] by block at five rates, made up.
YIELDS = {1: [120.0, 158.9, 181.2, 189.3, 186.6], 2: [121.0, 162.2, 190.0, 194.5, 190.1],
          3: [118.5, 156.1, 179.3, 186.2, 184.9], 4: [124.1, 156.0, 182.6, 188.3, 186.1]}  # fmt: skip
RATES = [0, 50, 100, 150, 200]


def text(lines, **options):
    return read_strips(io.StringIO(lines), name="sheet.csv", **options)


def refusal(lines, **options):
    with pytest.raises(InputError) as caught:
        text(lines, **options)
    return str(caught.value)


def grid(trial):
    """Yields by block and rate, both in order."""
    return trial.table.pivot_table(index="block", columns=trial.rate_column, values=trial.yield_column)


def long_sheet(headers):
    strips = [(b, r, y) for b, of in YIELDS.items() for r, y in zip(RATES, of, strict=True)]
    return "\n".join([headers, *(",".join(map(str, strip)) for strip in strips)])


def test_a_header_with_nutrient_and_analysis_is_asked_about():
    # By OSU_ANR74 a product's rate times its analysis is the nutrient: 200 lb of 0-0-60 hold 120 lb K2O.
    sheet = long_sheet("Rep,Potash 0-0-60 (lb/ac),Yield (bu/ac)")
    assert "rates of K2O, or of the product 0-0-60?" in refusal(sheet)
    assert sorted(set(text(sheet, analysis="0-0-60").table["rate_lb_ac"])) == [0, 30, 60, 90, 120]
    assert sorted(set(text(sheet, analysis="none").table["rate_lb_ac"])) == RATES
    named = text(long_sheet("Rep,0-0-60 rate (lb K2O/ac),Yield (bu/ac)"))  # the unit names the nutrient
    assert (named.nutrient, sorted(set(named.table["rate_lb_ac"]))) == ("K2O", RATES)


def test_the_number_of_a_solution_may_touch_its_name():
    # UAN 32 weighs 11.06 lb a gallon (PHYSPROP) and holds 32 % N: 50 gal hold 176.96 lb N.
    trial = text(long_sheet("Rep,UAN32 (gal/ac),Yield (bu/ac)"))
    assert grid(trial).columns.to_numpy() == pytest.approx([r * 11.06 * 0.32 for r in RATES])


def test_rates_of_sub_plots_are_rates_and_main_plots_the_second_factor():
    lines = [
        f"{block},{hybrid},{rate},{harvest + more}"
        for block, yields in YIELDS.items()
        for hybrid, more in (("early", 0), ("late", 10 + block))
        for rate, harvest in zip(RATES, yields, strict=True)
    ]
    trial = text("\n".join(["Rep,Main plot (Hybrid),Sub plot N lb/ac,Yield bu/ac", *lines]))
    assert (trial.nutrient, trial.whole, trial.factor_header) == ("N", True, "Main plot (Hybrid)")


@pytest.mark.parametrize("labels", [("without", "with 15 lb S"), ("none", "gypsum at planting")])
def test_a_column_named_for_a_nutrient_that_holds_names_holds_treatments(labels):
    lines = [f"{pair},{label},{180 + pair + 6 * i}" for pair in range(1, 7) for i, label in enumerate(labels)]
    trial = text("\n".join(["Pair,Sulfur,Yield (bu/ac)", *lines]))
    assert (trial.rate_column, set(trial.table["treatment"])) == ("", set(labels))


def test_numbered_treatments_take_the_names_beside_them():
    names = {1: "Product A", 2: "Grower standard", 3: "UTC"}
    lines = [f"{100 * b + t},{t},{names[t]},{b},{60 + 3 * t + b}" for b in range(1, 5) for t in names]
    sheet = "\n".join(["Plot,Trt,Description,Rep,Yield bu/ac", *lines])
    trial = text(sheet)
    assert set(trial.table["treatment"]) == set(names.values())
    assert any("called by the names of 'Description'" in note for note in trial.notes)
    assert set(text(sheet, columns={"treatment": "Trt"}).table["treatment"]) == set(names)
    doubled = sheet.replace("Grower standard", "Product A")  # two numbers of one name stay numbers
    assert set(text(doubled).table["treatment"]) == set(names)


def test_means_beside_a_wide_sheet_may_be_french():
    lines = [f"{rate};" + ";".join(str(y[i]) for y in YIELDS.values()) for i, rate in enumerate(RATES)]
    sheet = "\n".join(["N kg/ha;Rep I;Rep II;Rep III;Rep IV;Moyenne", *(f"{one};0" for one in lines)])
    trial = text(sheet, units={"yield": "kg/ha"}, real_yields=True, crop=None)
    assert grid(trial).to_numpy() == pytest.approx(pd.DataFrame(YIELDS).T.to_numpy())


def test_french_quintals_and_units_of_nitrogen():
    # A quintal is 100 kg; an "unité" of nitrogen is one kilogram (from memory).
    trial = text(long_sheet("Bloc,Dose (unités N/ha),Rendement (qx/ha à 15 %)"), crop="corn")
    assert (trial.nutrient, trial.rate_unit, trial.yield_unit) == ("N", "kg/ha", "q/ha")
    with pytest.raises(InputError, match="not a known unit"):  # English units are another measure
        text(long_sheet("Block,N rate (units/ha),Yield (t/ha)"))


def test_a_footnote_that_commas_part_is_no_strip():
    sheet = long_sheet("Rep,N rate (lb/ac),Yield (bu/ac)")
    trial = text(f"{sheet}\n*Harvested Oct 3, 15 ft swath\n")
    pd.testing.assert_frame_equal(trial.table, text(sheet).table)
    assert any("line 22 set aside, a remark" in note for note in trial.notes)


def test_the_one_column_in_a_unit_of_rates_is_named_where_none_is_the_rate():
    assert '--column rate="Gypsum (lb/ac)"' in refusal(long_sheet("Rep,Gypsum (lb/ac),Yield (bu/ac)"))
