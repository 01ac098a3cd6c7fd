"""Words for crop, stage and part as files hold them: each is one the tables know, or is asked about.

Unless a line names a source, what a word means is common practice in the trade, no source.
"""

from io import StringIO
from pathlib import Path

import pytest

from fertkit.errors import InputError, LookupFailed
from fertkit.intake import read_tissue
from fertkit.intake.parts import plant_part
from fertkit.intake.stages import stage_span
from fertkit.reference.crops import crop_name, leaf_crop, other_crop, unknown_crops

CASES = Path(__file__).parent.parent / "cases" / "leaf"
HEAD = "Sample,Crop,Stage,Part,N %,P %,K %\n"


def read(*lines, **given):
    return read_tissue((HEAD + "\n".join(lines) + "\n").encode(), name="lab.csv", **given)


def conditions(samples):
    first = samples.table.drop_duplicates("specimen").set_index("sample_id")
    return first[["crop", "growth_stage", "plant_part"]].apply(tuple, axis=1).to_dict()


@pytest.mark.parametrize(
    ("text", "crop"),
    [
        ("Soybeans (RR)", "soybean"),
        ("SOYBEAN-EARLY", "soybean"),
        ("Beans, soy", "soybean"),
        ("Soybean, full season", "soybean"),
        ("Corn, field", "corn"),
        ("Corn - Field", "corn"),
        ("Corn (irrigated)", "corn"),
        ("Wheat, winter", "winter wheat"),
        ("Hard red winter wheat", "winter wheat"),
        ("SRWW", "winter wheat"),
        ("Wheat (soft white)", "wheat"),
        ("Spring barley", "barley"),
        ("Beans, navy", "dry bean"),
        ("Oats", "oats"),
        ("Corn (Maize)", "corn"),
        ("Winter Wheat (SRW)", "winter wheat"),
        ("Grain Sorghum (milo)", "sorghum"),
        ("Barley - malting", "barley"),
    ],
)
def test_crops_by_their_words_in_any_order(text, crop):
    assert crop_name(text) == leaf_crop(text) == crop


@pytest.mark.parametrize("text", ["Corn silage", "Silage corn", "Corn for silage", "Maize, forage"])
def test_what_is_harvested_matters_to_removal_and_not_to_the_leaf(text):
    assert leaf_crop(text) == "corn"
    assert unknown_crops([text]) == [text]  # a budget of grain must not answer for silage


@pytest.mark.parametrize(
    "text",
    ["Sweet corn", "Corn, sweet", "Popcorn", "Seed corn", "Sweet potatoes", "Buckwheat", "Snap beans",
     "Forage sorghum", "Alfalfa/grass", "Grass-alfalfa mix", "Chickpeas", "Triticale"],
)  # fmt: skip
def test_other_crops_that_sound_alike_are_never_taken(text):
    assert leaf_crop(text) == ""
    assert other_crop(text).startswith("not ") or "mixture" in other_crop(text)


@pytest.mark.parametrize("text", ["Beans", "grass", "corn/soybean", "wheat and rye", "Corn 1234"])
def test_crops_that_could_be_two_are_asked_about(text):
    assert leaf_crop(text) == ""


@pytest.mark.parametrize(
    ("crop", "text", "code"),
    [
        ("soybean", "early pod", "R3"),  # Fehr and Caviness 1977: R3 is beginning pod
        ("soybean", "R2 full bloom", "R2"),
        ("soybean", "R2 stage", "R2"),
        ("soybean", "R-3", "R3"),
        ("soybean", "R1-2", "R1-R2"),
        ("soybean", "5th trifoliate", "V5"),
        ("wheat", "F6", "Feekes 6"),
        ("wheat", "GS31", "Feekes 6"),  # Large 1954 and the decimal code: GS 31 is Feekes 6
        ("wheat", "Zadoks 37", "Feekes 8"),
        ("wheat", "ES 31", "GS 31"),
        ("wheat", "10.1", "Feekes 10.1"),
        ("wheat", "Feekes 4-5", "Feekes 4 to Feekes 5"),
        ("wheat", "jointing, Feekes 6", "Feekes 6"),
        ("wheat", "Feekes 6 (jointing)", "Feekes 6"),
        ("wheat", "boot stage", "Feekes 10"),
        ("alfalfa", "10% bloom", "1/10 bloom"),
        ("alfalfa", "mid bloom", "half bloom"),
        ("alfalfa", "pre-bloom", "bud"),
        ("alfalfa", "prior to bloom", "bud"),
        ("alfalfa", "Early flower", "first flower"),
        ("wheat", "head emerging from boot", "heading"),
        ("soybean", "Beginning flower", "R1"),
        ("corn", "R1 silk", "silking"),
        ("corn", "at silking", "R1"),
        ("corn", "6 collars", "V6"),
        ("corn", '<12" tall', "less than 12 inches"),
        ("corn", '> 12 in. prior to tassel', "Greater than 12 inches, prior to tassel"),
    ],
)  # fmt: skip
def test_stages_by_their_words(crop, text, code):
    assert stage_span(crop, text)[:2] == stage_span(crop, code)[:2]


@pytest.mark.parametrize(
    ("crop", "text", "after", "until"),
    [
        ("soybean", "prior to flowering", "V1", "R1"),
        ("wheat", "just before heading", "Feekes 9", "Feekes 10.1"),
        ("wheat", "pre-heading", "Feekes 9", "Feekes 10.1"),
        ("corn", "prior to tassel", "V14", "VT"),
    ],
)
def test_before_a_stage_is_not_yet_in_it(crop, text, after, until):
    span = stage_span(crop, text)
    assert stage_span(crop, after).first < span.first <= span.last < stage_span(crop, until).first


def test_until_a_stage_includes_it():
    span, r1 = stage_span("soybean", "Prior to or at initial flowering"), stage_span("soybean", "R1").first
    assert span.first < r1 == span.last


@pytest.mark.parametrize(
    ("crop", "text"),
    [("wheat", "5"), ("wheat", "31"), ("corn", "6 leaf"), ("corn", "R1 (V6)"), ("corn", "knee high"),
     ("soybean", "late"), ("alfalfa", "2nd cutting")],
)  # fmt: skip
def test_stages_that_could_be_two_are_asked_about(crop, text):
    with pytest.raises(LookupFailed, match="choose one of"):
        stage_span(crop, text)


@pytest.mark.parametrize(
    ("crop", "text", "name", "petiole"),
    [
        ("soybean", "most recent mature trifoliate leaf blade", "upper trifoliate", "without"),
        ("soybean", "top mature trifoliate (no petiole)", "upper trifoliate", "without"),
        ("soybean", "Uppermost fully developed trifoliolate leaves, petioles removed", "upper trifoliate",
         "without"),
        ("soybean", "trifoliate leaflets", "upper trifoliate", "without"),
        ("soybean", "trifoliate + petiole", "upper trifoliate", "with"),
        ("soybean", "trifólio sem pecíolo", "upper trifoliate", "without"),
        ("soybean", "terceiro trifólio com pecíolo", "upper trifoliate", "with"),
        ("soybean", "trifoliates w/ petiole attached", "upper trifoliate", "with"),
        ("soybean", "Trifoliate, upper", "upper trifoliate", "not stated"),
        ("soybean", "3rd trifoliate from top", "upper trifoliate", "not stated"),
        ("wheat", "top two leaves", "upper leaves", "not stated"),
        ("wheat", "Leaf, flag", "flag leaf", "not stated"),
        ("wheat", "Flag lvs", "flag leaf", "not stated"),
        ("wheat", "above ground", "whole plant", "not stated"),
        ("alfalfa", 'top 6"', "top 6 inches", "not stated"),
        ("alfalfa", "upper 1/3", "top 6 inches", "not stated"),
        ("alfalfa", "top 1/3 of plant", "top 6 inches", "not stated"),
        ("corn", "Leaf, ear", "ear leaf", "not stated"),
        ("corn", "Ear leaves", "ear leaf", "not stated"),
        ("corn", "Uppermost collared leaf", "leaf below the whorl", "not stated"),
    ],
)  # fmt: skip
def test_parts_by_their_words(crop, text, name, petiole):
    part = plant_part(crop, text)
    assert (part.names, part.petiole) == ({name}, petiole)


@pytest.mark.parametrize(
    ("crop", "text"),
    [("soybean", "leaf"), ("soybean", "lower trifoliate"), ("soybean", "pods"), ("corn", "leaf above ear"),
     ("corn", "stalk"), ("corn", "top leaf"), ("wheat", "leaves"), ("wheat", "flag leaf minus 1"),
     ("alfalfa", "stems")],
)  # fmt: skip
def test_parts_that_could_be_another_are_asked_about(crop, text):
    with pytest.raises(LookupFailed, match="choose one of"):
        plant_part(crop, text)


@pytest.mark.parametrize(
    ("line", "right"),
    [
        ("a,Corn R1,,ear leaf,3,.3,2", ("corn", "R1", "ear leaf")),
        ("a,Field corn - V6,,whole plant,3,.3,2", ("corn", "V6", "whole plant")),
        ("a,Corn,,Ear leaf at R1,3,.3,2", ("corn", "R1", "Ear leaf")),
        ("a,Wheat,,\"flag leaf, Feekes 9\",3,.3,2", ("wheat", "Feekes 9", "flag leaf")),
        ("a,Soybean R2 upper trifoliate,,,3,.3,2", ("soybean", "R2", "upper trifoliate")),
        ("a,Corn,R1 ear leaf,,3,.3,2", ("corn", "R1", "ear leaf")),
        ("a,Alfalfa (early bud),,top 6 inches,3,.3,2", ("alfalfa", "early bud", "top 6 inches")),
        ("a,Corn,,Ear leaf at silking,3,.3,2", ("corn", "silking", "Ear leaf")),
        ("a,,,Corn ear leaf R1,3,.3,2", ("corn", "R1", "ear leaf")),
        ("a,Winter wheat @ jointing,,whole plant,3,.3,2", ("winter wheat", "jointing", "whole plant")),
    ],
)  # fmt: skip
def test_a_cell_that_holds_two_entries_is_split(line, right):
    samples = read(line)
    assert conditions(samples)["a"] == right
    assert (samples.report["what"] == "inferred").any()


def test_a_cell_that_contradicts_its_neighbour_is_not_taken():
    samples = read("a,Corn V6,R1,ear leaf,3,.3,2")
    with pytest.raises(LookupFailed):
        stage_span("corn", conditions(samples)["a"][1])
    assert any("says V6" in str(note) for note in samples.notes)
    agreed = read("a,Corn R1,silking,ear leaf,3,.3,2")
    assert conditions(agreed)["a"] == ("corn", "silking", "ear leaf")
    assert not agreed.notes


def test_what_is_given_wins_where_the_files_own_word_cannot_be_read():
    lines = ("a,Maiz duro,pre-pollen,middle leaf,3,.3,2", "b,Maiz duro,R1,ear leaf,3,.3,2")
    samples = read(*lines, crop="corn", stage="V10", part="leaf below the whorl")
    assert conditions(samples) == {
        "a": ("corn", "V10", "leaf below the whorl"),
        "b": ("corn", "R1", "ear leaf"),
    }
    told = "\n".join(map(str, samples.notes))
    for words in (
        "'Maiz duro' is not known (rows 2, 3); 'corn' was used",
        "'pre-pollen' is not known; 'V10' was used",
        "'middle leaf' is not known; 'leaf below the whorl' was used",
        "the file states growth stage R1; 'V10' was given; the file's own entry was kept",
        "the file states plant part ear leaf; 'leaf below the whorl' was given; the file's own",
    ):
        assert words in told


def test_a_crop_given_does_not_make_another_crop_of_a_file_its_own():
    mixed = read("a,Sweet corn,R1,ear leaf,3,.3,2", "b,Maiz duro,R1,ear leaf,3,.3,2", crop="corn")
    assert [crop for crop, *_ in conditions(mixed).values()] == ["Sweet corn", "corn"]
    alone = read("a,Sweet corn,R1,ear leaf,3,.3,2", crop="corn")
    assert conditions(alone)["a"][0] == "corn"
    assert any("not field corn" in str(note) for note in alone.notes)


def test_a_part_given_that_is_no_part_of_the_crop_is_not_used():
    samples = read("a,corn,R1,middle leaf,3,.3,2", part="trifoliate")
    assert conditions(samples)["a"][2] == "middle leaf"


# Right readings: tests/cases/README.md, every line matched or asked about.
ASKED = {
    "soybean_words.csv": {"j": "plant_part"},
    "wheat_words.csv": {},
    "alfalfa_words.csv": {"b": "crop"},
    "crop_words.csv": {"i": "crop", "j": "crop"},
    "stage_above.csv": {},
}


@pytest.mark.parametrize("name", ASKED)
def test_files_of_words_are_read_but_for_what_is_asked(name):
    asked = {}
    for sample, (crop, stage, part) in conditions(read_tissue(CASES / name)).items():
        if unknown_crops([crop]):
            asked[sample] = "crop"
            continue
        for role, look_up, text in (
            ("growth_stage", stage_span, stage),
            ("plant_part", plant_part, part),
        ):
            try:
                look_up(crop, text)
            except LookupFailed:
                asked[sample] = role
    assert asked == ASKED[name]


def test_a_soil_report_is_no_leaf_report():
    """P 22, K 141 and Mg 210 ppm are a soil's; a leaf has hundreds to tens of thousands."""
    sheet = "Field,P ppm,K ppm,Mg ppm\nNorth,22,141,210\nSouth,14,98,180\n"
    with pytest.raises(InputError, match="far below any plant's"):
        read_tissue(StringIO(sheet), crop="corn", stage="R1", part="ear leaf")
    leaf = "Field,P ppm,K ppm,Mg ppm\nNorth,900,6100,700\n"  # short of all three, and a leaf
    assert len(read_tissue(StringIO(leaf), crop="corn", stage="R1", part="ear leaf").table) == 3


@pytest.mark.parametrize("header", ["Partie de la plante", "Partie prélevée", "Organe prélevé"])
def test_a_french_header_names_the_plant_part(header):
    """Words of French laboratories, from memory."""
    file = f"Échantillon;Culture;Stade;{header};N (%)\nMoulin;corn;R1;ear leaf;2,61\n"
    samples = read_tissue(file.encode(), name="lab.csv")
    assert conditions(samples) == {"Moulin": ("corn", "R1", "ear leaf")}


@pytest.mark.parametrize(
    ("crop", "said", "part", "petiole"),
    [
        ("corn", "feuille d'épi", "ear leaf", "not stated"),
        ("corn", "plante entière", "whole plant", "not stated"),
        ("soybean", "feuille trifoliée supérieure sans pétiole", "upper trifoliate", "without"),
        ("wheat", "feuille drapeau", "flag leaf", "not stated"),
    ],
)
def test_french_words_of_plant_parts(crop, said, part, petiole):
    """Words of French laboratories, from memory."""
    found = plant_part(crop, said)
    assert (found.names, found.petiole) == ({part}, petiole)
