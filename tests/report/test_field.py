"""Leaf answers of a field: what comes first, what is left out and says so, signs kept with their values."""

import re
from io import StringIO

import pytest

from fertkit.cli import main
from fertkit.errors import InputError, NotEstimable
from fertkit.report import answer_field

pytestmark = pytest.mark.usefixtures("undrawn")

PRICES = {"nutrient_price": 0.45, "grain_price": 11.0}
HEAD = "Sample,Field,Crop,Stage,Part,K %,P %,N %,S %,Mg %,Mn ppm,Zn ppm,Fe ppm,B ppm\n"
PART = "trifoliate without petiole"
LEAF = (
    HEAD
    + f"1,North,soybean,R2,{PART},1.31,0.2,3.1,0.1,0.15,8,12,1250,5\n"
    + f"2,South,soybean,R2,{PART},2.1,0.45,5,0.3,0.5,60,<20,100,40\n"
    + "3,South,soybean,R2,bud,2.1,0.45,5,0.3,0.5,60,50,100,40\n"
)


@pytest.fixture(scope="module")
def strips():
    yields = [47.5, 51.5, 55.5, 56.5, 48.5, 52.5, 56.5, 57.5]
    rows = zip([1] * 4 + [2] * 4, [0, 40, 80, 120] * 2, yields, strict=True)
    return "block,K2O lb/ac,yield bu/ac\n" + "".join(f"{b},{x},{y}\n" for b, x, y in rows)


@pytest.fixture(scope="module")
def two_fields(strips):
    return answer_field("soybean", 60, leaf=StringIO(LEAF), strips=StringIO(strips), **PRICES)


@pytest.fixture(scope="module")
def page_of_two(two_fields, undrawn_page):
    return undrawn_page(two_fields)


def test_the_nutrient_of_the_trial_comes_first_and_the_rest_is_counted(two_fields):
    lines = two_fields.summary().splitlines()
    leaf = [line for line in lines if line.startswith("Leaf: ")]
    assert " K 1.31 %" in leaf[0]
    short = two_fields.explanation.items
    more = int((short["confidence"] != "marginal").sum()) - 3
    assert leaf[3] == f"Leaf: and {more} more on the page."
    # many nutrients of the sample are short together: roots and water stand before any recipe
    cause = next(line for line in lines if line.startswith("Likely cause, K in North 1: "))
    assert "Roots cannot reach nutrients in the soil" in cause
    assert not any(line.startswith("This season") for line in lines)
    caution = next(line for line in lines if line.startswith("Caution, K in North 1: "))
    assert caution.removeprefix("Caution, K in North 1: ")[0].isupper()


def test_what_is_above_not_scored_and_of_another_field_is_said(two_fields, page_of_two):
    lines, page = two_fields.summary().splitlines(), page_of_two
    assert any(line.startswith("Leaf, above the range: Fe in North 1") for line in lines)
    assert "Leaf, not scored: South 3, row 4; see the page." in lines
    assert any("come from 2 fields: North, South" in line for line in lines)
    assert "unknown plant part of soybean" in page
    assert "Soil or dust on the leaf" in page


def test_values_below_detection_keep_their_sign_on_the_page(two_fields, page_of_two):
    table = two_fields.tables["Results outside a published range"]
    values = table.loc[table["sample"].eq("South 2") & table["nutrient"].eq("Zn"), "value"]
    assert len(values)
    assert set(values) == {"< 20"}
    assert "&lt; 20" in page_of_two


def test_a_severe_shortage_is_not_among_what_not_to_act_on(page_of_two):
    """A nutrient with one range, remembered (KSU_SOY), while many nutrients of the sample are short."""
    page = page_of_two
    severe = re.search(r"North 1, (\w+): first dig roots", page)
    assert severe[1] in ("Mn", "Zn", "B", "S", "Cu", "K", "N")
    assert f"{severe[1]} in North 1" not in page.partition("marginal results alone")[2].partition("</li>")[0]


def test_what_was_not_judged_is_said_with_what_to_state(strips):
    leaf = "Sample,Crop,Stage,Part,K %,Mn ppm\nNorth,soybean,R2,trifoliate,1.31,12\n"
    answer = answer_field("soybean", 60, leaf=StringIO(leaf), strips=StringIO(strips), **PRICES)
    lines = answer.summary().splitlines()
    assert not any(line.startswith("Leaf, not judged") for line in lines)  # the petiole is taken as off
    assert "Leaf, question: Were petioles left on? The verdict for Mn in North depends on it." in lines
    assert "Mn 12 mg/kg is below" in answer.page()
    stated = answer_field("soybean", 60, leaf=StringIO(leaf), part=PART, strips=StringIO(strips), **PRICES)
    assert "Mn" in set(stated.explanation.items["nutrient"])


@pytest.fixture(scope="module")
def many(strips):
    """Six samples short of the same, of a part that leaves the petiole open."""
    rows = [f"{n},North,soybean,R2,trifoliate,1.3{n},0.2,3.1,0.1,0.15,8,12,100,5\n" for n in range(1, 7)]
    return answer_field("soybean", 60, leaf=StringIO(HEAD + "".join(rows)), strips=StringIO(strips), **PRICES)


@pytest.fixture(scope="module")
def page_of_many(many, undrawn_page):
    return undrawn_page(many)


def test_what_many_samples_share_is_said_once(many, page_of_many):
    do = page_of_many.partition("<h3>What to do</h3>")[2].partition("</ul>")[0]
    of_k = [line for line in do.split("<li>") if ", K: " in line]
    assert len(of_k) == 1
    assert of_k[0].startswith(
        "North 1, North 2, North 3, North 4 and 2 more, K: first dig roots here and in a good area"
    )
    assert "Next year, soil test" in of_k[0]
    question = next(line for line in many.summary().splitlines() if line.startswith("Leaf, question"))
    assert question.endswith(" in 6 samples depends on it.")


def test_one_question_is_asked_of_many_samples_once(page_of_many):
    """S, Mn, Zn and B are short by the one range that judges them, for trifoliates without petiole."""
    asked = page_of_many.partition("Question: ")[2].partition("</p>")[0]
    assert asked.startswith("Were petioles left on? The verdict for ")
    assert "Zn" in asked.partition(" in 6 samples depends on it")[0]
    assert "North 1" not in asked
    assert len(asked) < 800


def test_a_trial_without_a_response_is_said_in_whole_sentences():
    level = "".join(f"{b},{x},{50 + (b * x // 40) % 2}\n" for b in (1, 2, 3) for x in (0, 40, 80, 120))
    answer = answer_field(
        "soybean", 60, leaf=StringIO(LEAF), strips=StringIO("block,K2O lb/ac,yield bu/ac\n" + level), **PRICES
    )
    (said,) = [line for line in answer.summary().splitlines() if "economic optimum" in line]
    assert "economic optimum of K2O: no economic response; the lowest rate tested, 0 lb/ac" in said
    assert not [line for line in answer.summary().splitlines() if "gain of 0 over 0" in line]


# One quadratic trial written in other units: 1 kg/ha is 0.404686 / 0.453592 = 0.892179 lb/ac (NIST SP 811), a
# bushel of soybeans is 60 lb. (unit of the answer, of the rate, of the yield; lb/ac in one rate unit, bu/ac
# in one yield unit; price of a rate unit's mass at 0.45 a lb, of a yield unit's mass at 11 a bu)
PER_KG, PER_HA = 1 / 0.45359237, 1 / 0.40468564224
KG_HA = PER_KG / PER_HA
UNITS = [
    ("lb/ac", "lb/ac", "bu/ac", 1, 1, 0.45, 11),
    ("kg/ha", "lb/ac", "bu/ac", 1, 1, 0.45, 11),
    ("lb/ac", "kg/ha", "t/ha", KG_HA, 1000 * KG_HA / 60, 0.45 * PER_KG, 11 / 60 * 1000 * PER_KG),
    ("kg/ha", "kg/ha", "kg/ha", KG_HA, KG_HA / 60, 0.45 * PER_KG, 11 / 60 * PER_KG),
    ("kg/ha", "g/ha", "t/ha", KG_HA / 1000, 1000 * KG_HA / 60, 0.45 * PER_KG / 1000, 11 / 60 * 1000 * PER_KG),
]


@pytest.mark.parametrize("units", UNITS, ids=lambda u: " ".join(u[:3]))
def test_the_book_is_in_the_unit_of_the_answer_and_its_cost_is_rate_times_price(units):
    unit, rate_unit, yield_unit, per_rate, per_yield, nutrient_price, grain_price = units
    lines = [f"block,K2O {rate_unit},yield {yield_unit}"]
    for block, shift in enumerate([0.4, -0.4, 0.1], start=1):
        for rate in (0, 40, 80, 120):
            grain = 47.5 + 0.19 * rate - 0.0009 * rate**2 + shift
            lines.append(f"{block},{rate / per_rate:.6f},{grain / per_yield:.6f}")
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price}
    answer = answer_field("soybean", 60, unit=unit, leaf=StringIO(LEAF),
                          strips=StringIO("\n".join(lines)), **prices)  # fmt: skip
    (trial,), (book,) = answer.trials.values(), answer.carried.values()
    pounds = trial.optimum.rate * per_rate
    times = 1 if unit == "lb/ac" else 1 / KG_HA
    assert book.unit == answer.budget.unit == unit
    assert book.applied == pytest.approx(pounds * times, rel=1e-5)
    # money per acre or hectare is pounds applied times 0.45 a pound, 2.47105 acres to the hectare
    acres = 1 if unit == "lb/ac" else PER_HA
    assert book.cost == pytest.approx(pounds * 0.45 * acres, rel=1e-5)
    # the KSU_SOY default removes 1.17 to 1.4 lb K2O a bushel of some 57 bushels
    assert 60 < book.removed / times < 85
    said = next(line for line in answer.summary().splitlines() if line.startswith("Carries over"))
    assert f"{round(pounds * times)} {unit} K2O applied" in said


def test_the_crop_fills_a_blank_and_an_unknown_word_and_no_known_crop(strips):
    head = "Sample,Crop,Stage,Part,K %\n"
    lines = [f"A,,R2,{PART},1.31\n", f"B,beanz,R2,{PART},1.4\n", "C,corn,R1,ear leaf,1.7\n"]
    lines += [f"D,soybean,R2,{PART},2.0\n", "E,sweet corn,R1,ear leaf,1.7\n"]
    answer = answer_field(
        "soybean", 60, leaf=StringIO(head + "".join(lines)), strips=StringIO(strips), **PRICES
    )
    assert set(answer.scores.table["sample_id"]) == {"A", "B", "D"}
    told = "\n".join(answer.notes)
    assert "left out of the laboratory file: 1 sample of corn, 1 sample of sweet corn" in told
    assert "crop 'soybean' as given (1 line)" in told
    assert "the file's crop 'beanz' is not known" in told


def test_zeros_of_the_strips_are_asked_about_unless_they_were_measured(strips):
    asked = {"leaf": StringIO(LEAF), "strips": StringIO(strips.replace("1,120,56.5", "1,120,0")), **PRICES}
    with pytest.raises(InputError, match="a yield of 0"):
        answer_field("soybean", 60, **asked)
    asked |= {"leaf": StringIO(LEAF), "strips": StringIO(strips.replace("1,120,56.5", "1,120,0"))}
    answer = answer_field("soybean", 60, **asked, real_yields=True)
    assert next(iter(answer.trials.values())).data.yields.min() == 0


MARKED = (
    "Field ID,Crop,Growth stage,Tissue,K %\n"
    "River good,Soybean,R2,uppermost mature trifoliate,2.05\n"
    "River poor,Soybean,R2,uppermost mature trifoliate,1.22\n"
)


def test_a_sample_named_as_the_field_of_a_soil_test_is_of_it():
    soil = "Field,Depth (in),K Mehlich-3 (ppm)\nRiver good,8,155\nRiver poor,8,82\n"
    answer = answer_field("soybean", 62, leaf=StringIO(MARKED), soil=StringIO(soil))
    assert sorted(answer.fields) == ["River good", "River poor"]
    poor = answer_field("soybean", 62, field="River poor", leaf=StringIO(MARKED), soil=StringIO(soil))
    assert poor.scores.table["sample_id"].unique().tolist() == ["River poor"]
    numbers = MARKED.replace("River good", "7781").replace("River poor", "7782")
    other = answer_field("soybean", 62, field="River poor", leaf=StringIO(numbers), soil=StringIO(soil))
    assert "the leaf report names no sample of this field" in other.notes
    with pytest.raises(NotEstimable, match="the files name no fields; add a column Field"):
        answer_field("soybean", 62, field="Home", leaf=StringIO(numbers))


def test_leaf_tests_of_one_field_are_those_of_it_without_a_page_too(tmp_path, capsys):
    path = tmp_path / "leaf.csv"
    rows = (f"{name},corn,V3,whole plant,3.0\n" for name in ("Home", "Away"))
    path.write_text("Field,Crop,Stage,Part,N %\n" + "".join(rows))
    assert main(["leaf", str(path), "--field", "home"]) == 0
    assert "Away" not in capsys.readouterr().out
    assert main(["leaf", str(path), "--field", "Nowhere"]) == 2
    assert "choose one of: Away, Home" in capsys.readouterr().err
