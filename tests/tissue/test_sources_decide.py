"""Ranges against the pages they were read from, and which of them decide: region, copies, memory."""

import runpy
from pathlib import Path

import pandas as pd
import pytest

from fertkit.cli import main
from fertkit.errors import InputError, LookupFailed
from fertkit.panels.leaf import LeafPanel
from fertkit.reference import load_ranges, load_table
from fertkit.reference.profiles import read_profile
from fertkit.reference.regions import in_region, region_name
from fertkit.tissue import explain, score_tissue
from fertkit.tissue.classes import Class

WHERE = {
    "soybean leaf": ("soybean", "trifoliate without petiole"), "soybean": ("soybean", "upper trifoliate"),
    "corn plant": ("corn", "whole plant"), "corn ear": ("corn", "ear leaf"),
    "corn collar": ("corn", "top collared leaf"), "alfalfa": ("alfalfa", "top 6 inches"),
    "barley": ("barley", "whole plant"), "oats": ("oats", "whole plant"), "wheat": ("wheat", "whole plant"),
    "wheat leaf": ("wheat", "young leaf"), "canola leaf": ("canola", "youngest open leaf"),
    "sunflower leaf": ("sunflower", "youngest open leaf"), "cotton": ("cotton", "petiole"),
    "potato": ("potato", "fourth petiole"), "peanut": ("peanut", "whole plant"),
    "brome": ("bromegrass", "whole plant"), "beet": ("sugar beet", "petiole"),
}  # fmt: skip
# source, where, stage, nutrient, value, class: one value on each side of each limit that was read
READ = [
    # Small and Ohlrogge 1973 as compiled by Fageria 1991: deficient below 4.0, range 4.5 to 5.5 % N ...
    *[("SMALL1973", "soybean", "R1", n, v, c) for n, limits in {
        "N": (4.0, 4.5, 5.5), "P": (0.15, 0.26, 0.5), "K": (1.25, 1.7, 2.5), "Ca": (0.2, 0.36, 2.0),
        "Mg": (0.1, 0.26, 1.0), "Fe": (30, 51, 350)}.items()
      for v, c in zip((limits[0] * 0.99, limits[0], limits[1], limits[2], limits[2] * 1.01),
                      ("deficient", "low", "sufficient", "sufficient", "high"), strict=True)],
    # Yin and Vyn 2004: 24.3 g/kg at R1
    ("YIN2004", "soybean", "R1", "K", 2.42, "deficient"),
    ("YIN2004", "soybean", "R1", "K", 2.43, "sufficient"),
    # Bell and others 1987: 0.88 % at R3 to R4, 0.39 % at R5 to R6, leaf without petiole
    ("BELL1987", "soybean leaf", "R4", "K", 0.87, "deficient"),
    ("BELL1987", "soybean leaf", "R4", "K", 0.88, "sufficient"),
    ("BELL1987", "soybean leaf", "R5", "K", 0.38, "deficient"),
    ("BELL1987", "soybean leaf", "R6", "K", 0.39, "sufficient"),
    # Clover and Mallarino 2013: 20.2 to 25.1 g/kg at V5 to V6, 10.2 to 11.0 at R1; soybean 17.6 to 20.0 at R2
    ("CLOVER2013", "corn plant", "V6", "K", 2.01, "deficient"),
    ("CLOVER2013", "corn plant", "V5", "K", 2.3, "low"),
    ("CLOVER2013", "corn plant", "V5", "K", 2.51, "sufficient"),
    ("CLOVER2013", "corn ear", "R1", "K", 1.01, "deficient"),
    ("CLOVER2013", "corn ear", "R1", "K", 1.05, "low"),
    ("CLOVER2013", "corn ear", "R1", "K", 1.10, "sufficient"),
    ("CLOVER2013", "soybean", "R2", "K", 1.75, "deficient"), ("CLOVER2013", "soybean", "R2", "K", 1.9, "low"),
    ("CLOVER2013", "soybean", "R2", "K", 2.0, "sufficient"),
    # Louisiana 2024: 1.50 % at R2, leaf without petiole
    ("LSU_K2024", "soybean leaf", "R2", "K", 1.49, "deficient"),
    ("LSU_K2024", "soybean leaf", "R2", "K", 1.5, "sufficient"),
    # Alberta, Table 3: low below, marginal between, sufficient above
    *[("ALBERTA_MICRO", where, stage, n, v, c) for where, stage, table in [
        ("alfalfa", "1/10 bloom",
         {"B": (20, 30), "Cu": (4, 8), "Fe": (20, 30), "Mn": (15, 25), "Mo": (0.5, 1), "Zn": (12, 20)}),
        ("barley", "Feekes 8", {"B": (3, 5), "Fe": (15, 20), "Mn": (10, 15), "Mo": (0.01, 0.02),
                                "Cu": (2.3, 3.7), "Zn": (10, 15)}),
        ("wheat", "Feekes 8", {"B": (3, 5), "Fe": (15, 20), "Mn": (10, 15), "Mo": (0.01, 0.02),
                               "Cu": (3, 4.5), "Zn": (10, 15)}),
        ("oats", "Feekes 8", {"B": (3, 5), "Fe": (15, 20), "Mn": (10, 15), "Mo": (0.01, 0.02),
                              "Cu": (1.7, 2.5), "Zn": (10, 15)})]
      for n, (low, enough) in table.items()
      for v, c in ((low * 0.99, "deficient"), (low, "low"), (enough, "sufficient"))],
    # Wei and others 1998: 20 to 25 mg/kg B in young canola; Asad and others 2002: 18, sunflower 25
    ("WEI1998", "canola leaf", "seedling", "B", 19, "deficient"),
    ("WEI1998", "canola leaf", "seedling", "B", 25, "sufficient"),
    ("ASAD2002", "canola leaf", "flowering", "B", 17, "deficient"),
    ("ASAD2002", "canola leaf", "flowering", "B", 18, "sufficient"),
    ("ASAD2002", "sunflower leaf", "flowering", "B", 24, "deficient"),
    ("ASAD2002", "sunflower leaf", "flowering", "B", 25, "sufficient"),
    # Pennsylvania State: 30 mg/kg B in the top third of alfalfa
    ("PSU_BORON", "alfalfa", "bud", "B", 29, "low"),
    ("PSU_BORON", "alfalfa", "1/10 bloom", "B", 30, "sufficient"),
    # Camberato and Maloney 2012: 20 to 70 mg/kg Zn
    ("CAMBERATO2012", "corn collar", "V8", "Zn", 19, "low"),
    ("CAMBERATO2012", "corn ear", "R1", "Zn", 71, "high"),
    ("CAMBERATO2012", "corn collar", "VT", "Zn", 20, "sufficient"),
    # Robson and others 1984: 1.3 mg/kg Cu; wheat Zn of 1993: 16 mg/kg
    ("ROBSON1984", "wheat leaf", "Feekes 2", "Cu", 1.2, "deficient"),
    ("ROBSON1984", "wheat leaf", "Feekes 10.5", "Cu", 1.3, "sufficient"),
    ("WHEAT_ZN1993", "wheat leaf", "Feekes 6", "Zn", 15, "deficient"),
    ("WHEAT_ZN1993", "wheat leaf", "Feekes 6", "Zn", 16, "sufficient"),
    # Maples and others 1989: first symptom below 1.5 % K in the petiole
    ("MAPLES1989", "cotton", "mid-bloom", "K", 1.4, "deficient"),
    ("MAPLES1989", "cotton", "mid-bloom", "K", 1.5, "sufficient"),
    # Maine 1991: 1.6 and 1.7 % NO3-N, yields lower above 2.2 %
    ("MAINE1991", "potato", "tuber initiation", "NO3-N", 15_900, "deficient"),
    ("MAINE1991", "potato", "tuber initiation", "NO3-N", 16_500, "low"),
    ("MAINE1991", "potato", "tuber initiation", "NO3-N", 17_000, "sufficient"),
    ("MAINE1991", "potato", "tuber initiation", "NO3-N", 22_100, "high"),
    # bands printed as marginal: peanut N 2.8 to 3.2, P .30 to .35, K 1.6 to 2.0; Cl toxic above 2.5 %;
    # brome N 1.8
    ("CROPFILE_PEANUT", "peanut", "20 d", "N", 2.7, "deficient"),
    ("CROPFILE_PEANUT", "peanut", "20 d", "N", 3.0, "low"),
    ("CROPFILE_PEANUT", "peanut", "20 d", "P", 0.29, "deficient"),
    ("CROPFILE_PEANUT", "peanut", "20 d", "K", 1.7, "low"),
    ("CROPFILE_PEANUT", "peanut", "20 d", "Cl", 2.6, "excessive"),
    ("CROPFILE_BROME", "brome", "vegetative", "N", 1.7, "deficient"),
    ("CROPFILE_BROME", "brome", "vegetative", "N", 1.8, "low"),
    # sugar beet petioles, pot and field experiments: 1000 mg/kg NO3-N on a dry basis
    ("ULRICHHILLS", "beet", "mid-season", "NO3-N", 990, "deficient"),
    ("ULRICHHILLS", "beet", "mid-season", "NO3-N", 1000, "sufficient"),
]  # fmt: skip


@pytest.fixture
def at(tidy):
    def table(where, stage, values):
        crop, part = WHERE[where]
        return tidy({"a": values}, crop=crop, growth_stage=stage, plant_part=part)

    return table


def test_each_limit_that_was_read_parts_the_classes(tidy):
    wrong, together = [], {}
    for number, (source, where, stage, *rest) in enumerate(READ):
        together.setdefault((source, where, stage), {})[str(number)] = rest
    for (source, where, stage), rows in together.items():
        crop, part = WHERE[where]
        values = {number: {nutrient: value} for number, (nutrient, value, _) in rows.items()}
        table = tidy(values, crop=crop, growth_stage=stage, plant_part=part)
        scored = score_tissue(table, source=source).table
        for number, (nutrient, value, expected) in rows.items():
            row = scored[scored["sample_id"] == number].iloc[0]
            if row["class"] != expected or row["provenance"] == "from_memory":
                wrong.append((source, where, nutrient, value, row["class"], expected))
    assert wrong == []


def votes(scores, nutrient):
    rows = scores.table[scores.table["nutrient"] == nutrient]
    return dict(zip(rows["source_key"], rows["aside"], strict=True))


def test_a_table_of_another_region_is_shown_and_does_not_decide(at):
    # Souza and others 2020, north-east Brazil: Zn 48, Fe 125, Mg 0.47, B 44;
    # healthy by the limits of the Midwest
    healthy = {"Zn": 40.0, "Fe": 110.0, "Mg": 0.40, "B": 40.0}
    scores = score_tissue(at("soybean leaf", "R2", healthy))
    assert scores.shortfalls.empty
    assert votes(scores, "Zn")["SOUZA2020"] == "a source of another region (Brazil)"
    told = [line for line in scores.summary().splitlines() if line.startswith("Shown, not counted")]
    assert told == [
        "Shown, not counted: Zn, Fe, Mg, B would be short by SOUZA2020: a source of another region (Brazil)"
    ]
    assert told[0] in explain(scores).summary()
    there = score_tissue(at("soybean leaf", "R2", healthy), region="brazil")
    assert set(there.shortfalls["short_sources"]) == {"SOUZA2020"}
    assert set(there.shortfalls["nutrient"]) == set(healthy)
    named = score_tissue(at("soybean leaf", "R2", healthy), source="SOUZA2020")  # chosen by name
    assert len(named.shortfalls) == 4


def test_sources_that_were_named_and_own_ranges_decide_whatever_the_region(at):
    # SMALL1973 (US Midwest) calls K below 1.7 % short at R1
    leaf = at("soybean", "R1", {"K": 1.2})
    for chosen in ({"source": "SMALL1973"}, {"ranges": load_ranges(source="SMALL1973")}):
        scores = score_tissue(leaf, region="US Great Plains", **chosen)
        assert scores.shortfalls["short_sources"].tolist() == ["SMALL1973"]
        with pytest.raises(LookupFailed, match=r"Atlantis.*US Midwest"):
            score_tissue(leaf, region="Atlantis", **chosen)
    aside = votes(score_tissue(leaf, region="Australia"), "K")
    assert aside["SMALL1973"] == "a source of another region (US Midwest)"


def test_why_no_range_decides_is_said_in_the_answer_itself(at, tmp_path, capsys):
    leaf = score_tissue(at("soybean leaf", "R5", {"K": 0.8, "N": 4.0}))
    assert leaf.summary().splitlines() == explain(leaf).summary().splitlines()[:-1] == [
        "nothing could be judged: K in a: the only range is from another region (Australia, BELL1987); "
        "sample a good area next to it for comparison",
        "N in a: no published value for this nutrient at this stage and part; compare with a good area "
        "sampled on the same day",
    ]  # fmt: skip
    nitrate = score_tissue(at("cotton", "mid-bloom", {"NO3-N": 1500.0}), source="MAPLES1989")
    for text in (nitrate.summary(), explain(nitrate).summary()):
        assert text.startswith("nothing could be judged: NO3-N in a: no published value for this nutrient")
    unseen = at("soybean", "R1", {"K": 1.2}).assign(censored="not detected")
    assert "K in a: not detected, no limit given; ask the laboratory" in score_tissue(unseen).summary()
    file = tmp_path / "lab.csv"
    file.write_text("Sample,Crop,Stage,Part,K %\na,soybean,R5,trifoliate without petiole,0.8\n")
    assert main(["leaf", str(file)]) == 2
    assert "from another region (Australia, BELL1987)" in capsys.readouterr().err


def test_what_only_another_region_judges_is_not_judged(at):
    scores = score_tissue(at("soybean leaf", "R5", {"K": 0.3, "N": 4.0}))
    assert scores.agreement.set_index("nutrient").loc["K", "verdict"] == "not judged"
    assert scores.agreement.set_index("nutrient").loc["K", "strictest_class"] == Class.NO_RANGE
    assert (
        "BELL1987, a source of another region (Australia)"
        in scores.unjudged.set_index("nutrient").loc["K", "aside"]
    )
    assert not scores.shortfalls["nutrient"].eq("K").any()
    assert score_tissue(at("soybean leaf", "R5", {"K": 0.3}), region="Australia").shortfalls[
        "short"
    ].tolist() == [1]


def test_a_remembered_figure_has_no_vote_beside_one_that_was_read(at):
    # ear leaf at R1, K 1.85 %: E-2567 asks for 1.91 from memory; Iowa 1.10 and 1.42, the south 1.8
    scores = score_tissue(at("corn ear", "R1", {"K": 1.85}))
    found = votes(scores, "K")
    assert found["TRISTATE_E2567"] == "a figure from memory; another was read in its source"
    assert [key for key, why in found.items() if not why] == ["CLOVER2013", "STAMMER2018", "SCSB394_UDEL"]
    assert scores.shortfalls.empty
    alone = score_tissue(at("corn ear", "R1", {"Al": 300.0}))  # only remembered ranges hold: they decide
    assert set(votes(alone, "Al").values()) == {""}


def test_copies_of_one_table_count_once(at):
    own = load_ranges(source="SMALL1973")
    copy = own.assign(source_key="COPY", lineage="SMALL1973")
    both = pd.concat([own, copy], ignore_index=True)
    scores = score_tissue(at("soybean", "R1", {"N": 4.2}), both)
    row = scores.agreement.iloc[0]
    assert (row["sources"], row["short"], row["short_sources"]) == (1, 1, "SMALL1973")
    assert votes(scores, "N") == {"SMALL1973": "", "COPY": "from the same old table as SMALL1973"}


def test_sources_are_left_out_by_name(at):
    scores = score_tissue(at("corn ear", "R1", {"K": 1.85}), without=["SCSB394_UDEL"])
    assert "SCSB394_UDEL" not in votes(scores, "K")
    with pytest.raises(LookupFailed, match="NOBODY"):
        score_tissue(at("corn ear", "R1", {"K": 1.85}), without="NOBODY")


def test_regions_hold_what_lies_in_them():
    names = pd.Series(["US Midwest", "US", "Eastern Canada", "Brazil", "", "world"])
    assert in_region(names).tolist() == [True, True, True, False, True, True]
    assert in_region(names, "us midwest").tolist() == [True, True, False, False, True, True]
    assert region_name(" us  MIDWEST ") == "US Midwest"
    with pytest.raises(LookupFailed, match="US Midwest"):
        region_name("Atlantis")
    known = set(load_table("ranges")["region"]) - {""}
    assert all(region_name(name) == name for name in known)


def test_a_narrow_ratio_is_never_a_shortage(at):
    # Crop file, winter wheat: typical N:S 13 to 15; 11 is narrow, 16 wide
    for sulfur, word in ((0.40, "sufficient"), (0.275, "high")):
        scores = score_tissue(at("wheat", "Feekes 3", {"N": 4.4, "S": sulfur}), source="CROPFILE_WHEAT")
        assert scores.table.set_index("nutrient").loc["N:S", "class"] == word
        assert "N:S" not in set(scores.shortfalls["nutrient"])


def test_less_than_half_is_carried_from_memory():
    script = Path(__file__).parents[1] / "benchmarks" / "coverage_of_tables.py"
    held = runpy.run_path(str(script))["coverage"]()["from memory"]
    assert held["ranges"] < 45
    assert held["texts on leaves"] < 50


def test_a_profile_says_which_ranges_decide(tmp_path, capsys):
    file, profile = tmp_path / "lab.csv", tmp_path / "mine.toml"
    file.write_text("Sample,Crop,Stage,Part,Zn ppm,N %\na,soybean,R2,trifoliate without petiole,40,5.0\n")
    assert main(["leaf", str(file)]) == 0
    assert "Shown, not counted: Zn would be short by SOUZA2020" in capsys.readouterr().out
    profile.write_text('without = "BENDER2015"\nregion = "US Midwest"\n[leaf]\nregion = "Brazil"\n')
    assert main(["leaf", str(file), "--profile", str(profile)]) == 0
    assert "Short: Zn in a" in capsys.readouterr().out
    assert (
        main(["leaf", str(file), "--profile", str(profile), "--region", "us midwest"]) == 0
    )  # typed goes first
    assert "Short" not in capsys.readouterr().out.splitlines()[0]
    assert main(["leaf", str(file), "--without", "SOUZA2020"]) == 0
    assert "SOUZA2020" not in capsys.readouterr().out
    assert read_profile(profile) == {"without": "BENDER2015", "region": "US Midwest"}
    for text, columns in (
        ('without = ["STAMMER2018"]\nregion = "US Midwest"\n', ["without"]), ('sources = "X"\n', ["sources"]),
        ('source = "X"\n[leaf]\nsources = ["STAMMER2018"]\nown = "x.csv"\n', ["leaf.sources", "leaf.own"]),
    ):  # fmt: skip
        other = tmp_path / "other.toml"
        other.write_text(text)
        with pytest.raises(InputError) as refused:
            read_profile(other, "leaf")
        assert [problem.column for problem in refused.value.problems] == columns
        assert main(["leaf", str(file), "--profile", str(other)]) == 2
        assert columns[0] in capsys.readouterr().err
    assert read_profile(profile, "leaf") == {"region": "Brazil"}
    with pytest.raises(SystemExit):
        main(["leaf", "--help"])
    assert "under [leaf]" in " ".join(capsys.readouterr().out.split())
    assert LeafPanel(file, profile=profile).result.shortfalls["nutrient"].tolist() == ["Zn"]
