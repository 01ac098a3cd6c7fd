"""Balance on the command line: each method by hand-made files, and what it says it cannot say."""

import re

import numpy as np
import pandas as pd
import pytest

from fertkit.cli import main
from fertkit.errors import InputError, LookupFailed, NotEstimable
from fertkit.intake import read_tissue
from fertkit.intake.beside import biomass_of, numbers_beside
from fertkit.report.balance import METHODS, answer_balance
from fertkit.tissue.ratios import ratios

WHEAT = b"""Sample,Crop,Stage,Part,N %,S %,P %,Zn ppm
low,wheat,Feekes 5,whole plant,4.06,0.14,0.30,20
high,wheat,Feekes 3,whole plant,4.00,0.28,0.32,<9
corn,corn,R1,ear leaf,3.00,0.10,0.30,20
"""
SHOOTS = b"""Sample,Crop,Stage,Part,N %,Biomass (lb/ac)
a,corn,V10,whole plant,1.60,4460.9
b,corn,R1,ear leaf,2.9,4000
c,soybean,V5,whole plant,3.5,2000
d,corn,V10,whole plant,2.0,
"""


def test_ratios_stand_against_their_published_limits():
    # N:S at Feekes 5 up to 20 (PURDUE_S), at Feekes 3 up to 15 too (CROPFILE_WHEAT); no limit for corn ear
    # leaves. 4.06 / 0.14 = 29; 4.00 / 0.28 = 14.29; P:Zn 0.30 % over 20 mg/kg = 150.
    table = ratios(read_tissue(WHEAT)).table.set_index(["sample_id", "ratio"])
    assert table["value"]["low", "N:S"] == pytest.approx(29)
    assert table["value"]["low", "P:Zn"] == pytest.approx(150)
    assert ("high", "P:Zn") not in table.index  # zinc is known only to lie below 9
    verdicts = table["verdict"].xs("N:S", level="ratio").to_dict()
    assert verdicts == {"low": "above the limit", "high": "within the limit", "corn": "no published limit"}
    assert table.loc[("high", "N:S"), ["lowest_limit", "highest_limit"]].tolist() == [15, 20]
    said = answer_balance(read_tissue(WHEAT)).summary()
    assert "low: N:S 29, limit 20: sulfur is low relative to nitrogen (PURDUE_S)" in said
    assert "does not show which nutrient is out of line" in said
    with pytest.raises(NotEstimable, match="usual ratio"):
        ratios(read_tissue(b"Sample,Crop,Stage,Part,B ppm\na,corn,R1,ear leaf,9\n"))


def test_between_two_limits_the_sources_disagree():
    sheet = WHEAT.replace(b"4.00,0.28", b"4.50,0.25")  # 18, between 15 and 20
    table = ratios(read_tissue(sheet)).table.set_index(["sample_id", "ratio"])
    assert table["verdict"]["high", "N:S"] == "above some published limits"


def test_whole_shoots_stand_against_the_curve_of_their_crop_and_the_rest_is_listed():
    # 4460.9 lb/ac is 5 t/ha (0.45359237 / 0.40468564 kg/ha each); PLENET2000: 3.4 x 5^-0.37 = 1.8744 % N.
    answer = answer_balance(read_tissue(SHOOTS), "dilution", source="PLENET2000")
    row = answer.table.iloc[0]
    assert row["biomass_t_ha"] == pytest.approx(5.0, abs=1e-4)
    assert row["nni"] == pytest.approx(1.6 / (3.4 * 5**-0.37), rel=1e-4)
    assert answer.table["sample"].tolist() == ["a"]
    why = answer.balance.refused.set_index("sample")["why"]
    assert "the part is ear leaf" in why["b"]
    assert "no critical nitrogen curve for soybean" in why["c"]
    assert why["d"] == "no nitrogen, or no shoot dry matter, given"
    assert answer.summary().splitlines()[0] == "1 of 1 sample below critical nitrogen by every curve"
    assert "Left out, c: no critical nitrogen curve for soybean" in answer.summary()


def test_biomass_needs_a_column_and_a_unit():
    with pytest.raises(InputError, match="no column of shoot dry matter"):
        biomass_of(read_tissue(WHEAT))
    with pytest.raises(InputError, match="without a unit"):
        biomass_of(read_tissue(SHOOTS.replace(b" (lb/ac)", b"")))
    with pytest.raises(NotEstimable, match="a: no nitrogen, or no shoot dry matter, given"):
        answer_balance(read_tissue(SHOOTS.replace(b"4460.9", b"").replace(b"4000", b"")), "dilution")


def test_numbers_beside_the_results():
    samples = read_tissue(SHOOTS)
    assert numbers_beside(samples, "biomass (LB/AC)").tolist() == pytest.approx(
        [4460.9, 4000, 2000, np.nan], nan_ok=True
    )
    with pytest.raises(LookupFailed, match="Biomass"):
        numbers_beside(samples, "Yield")
    with pytest.raises(InputError, match=r"row 3.*many"):
        numbers_beside(read_tissue(SHOOTS.replace(b"4000", b"many")), "Biomass (lb/ac)")


def orchard(n=24):
    """Corn leaves with yields: every other one yields 200, the rest 150; three have no yield."""
    rng = np.random.default_rng(3)
    k = np.where(np.arange(n) % 2, 2.0, 1.2) * np.exp(rng.normal(0, 0.04, n))
    frame = pd.DataFrame({"Sample": [f"s{i}" for i in range(n)], "Crop": "corn", "Stage": "R1"})
    frame = frame.assign(Part="ear leaf", Yield=np.where(np.arange(n) % 2, "200", "150"))
    frame["N %"], frame["P %"] = (c * np.exp(rng.normal(0, 0.04, n)) for c in (3.0, 0.3))
    frame.loc[[0, 1, 2], "Yield"] = ""
    return frame.assign(**{"K %": k}).round(3)


def test_norms_of_the_file_judge_all_its_samples(tmp_path, capsys):
    path, norms = tmp_path / "leaves.csv", tmp_path / "norms.csv"
    orchard().to_csv(path, index=False)
    ask = ["balance", str(path), "--method", "dris", "--yield-column", "yield"]
    assert main(ask) == 2
    assert "Half are 200 or more" in capsys.readouterr().err  # 11 of 21 yields are
    written = ["--page", str(tmp_path / "p.html"), "--table", str(tmp_path / "t.csv")]
    assert main([*ask, "--cutoff", "175", "--build-norms", str(norms), *written]) == 0
    said = capsys.readouterr().out
    assert "from 11 samples yielding 175 or more, against 10 below" in said
    assert "Most limiting: K in" in said
    table = pd.read_csv(tmp_path / "t.csv")
    assert table["sample_id"].nunique() == 24  # those without a yield too
    high = orchard().iloc[[3, *range(5, 24, 2)]]
    ratio = high["N %"] / high["P %"]
    kept = pd.read_csv(norms).set_index("ratio")
    name = "N/P" if "N/P" in kept.index else "P/N"
    assert kept.loc[name, "mean"] == pytest.approx((ratio if name == "N/P" else 1 / ratio).mean())
    # The same norms from their file, on a file of two crops: the soybean is listed, the corn is scored.
    mixed = tmp_path / "mixed.csv"
    soy = pd.DataFrame(
        [{"Sample": "soy", "Crop": "soybean", "Stage": "R2", "Part": "trifoliate", "N %": 5.0}]
    )
    pd.concat([orchard().head(1), soy]).to_csv(mixed, index=False)
    assert main(["balance", str(mixed), "--method", "dris", "--norms", str(norms)]) == 0
    said = capsys.readouterr().out
    assert "s0: order of need K" in said
    assert "Left out, soy: no DRIS norms for soybean trifoliate" in said
    assert "Norms hold for the crop, part, stage and region of their samples" in said


def test_ratios_with_dry_matter_take_part_where_asked(tmp_path):
    path = tmp_path / "leaves.csv"
    orchard().to_csv(path, index=False)
    asked = {"yield_column": "Yield", "cutoff": 175.0}
    whole = answer_balance(read_tissue(path), "dris", dry_matter=True, **asked)
    assert {"N/DM", "P/DM", "K/DM"} <= set(whole.norms.table["ratio"])
    assert "DM" in set(whole.table["nutrient"])
    assert "DM" not in set(answer_balance(read_tissue(path), "dris", **asked).table["nutrient"])


@pytest.mark.parametrize("method", ["dris", "cnd"])
def test_without_norms_it_says_so_and_leads_to_those_of_ones_own(tmp_path, capsys, method):
    path = tmp_path / "leaves.csv"
    orchard().to_csv(path, index=False)
    assert main(["balance", str(path), "--method", method]) == 2
    said = capsys.readouterr().err
    assert "no source read here publishes means and spreads of a field crop" in said
    assert "--build-norms NORMS.csv --yield-column NAME" in said


def test_an_optimum_is_of_one_crop_and_given(tmp_path, capsys):
    path = tmp_path / "leaves.csv"
    orchard().to_csv(path, index=False)
    assert main(["balance", str(path), "--method", "dop"]) == 2
    assert "--optimum N=2.9,K=2.1" in capsys.readouterr().err
    k = orchard().loc[0, "K %"]
    for typed in ("N=3.0,K=2.4", "N=3.0,K=2,4"):  # a decimal comma does not part the list
        assert main(["balance", str(path), "--method", "dop", "--optimum", typed]) == 0
        assert f"K ({100 * k / 2.4 - 100:.3g})" in capsys.readouterr().out
    with pytest.raises(NotEstimable, match="one crop and part"):
        answer_balance(read_tissue(WHEAT), "dop", optimum={"N": 3.0})


def test_methods_are_named_and_refused_in_words(tmp_path, capsys):
    with pytest.raises(LookupFailed, match="dilution, dop, dris, ratios"):
        answer_balance(read_tissue(WHEAT), "guess")
    with pytest.raises(NotEstimable, match="dris or cnd"):
        answer_balance(read_tissue(WHEAT), "ratios", yield_column="Yield", cutoff=3.0)
    assert set(METHODS) == {"ratios", "dris", "cnd", "dop", "dilution"}
    path = tmp_path / "w.csv"
    path.write_bytes(WHEAT)
    assert main(["balance", str(path), "--build-norms", str(tmp_path / "n.csv")]) == 2
    assert "--yield-column" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("method", "options", "said"),
    [("ratios", {"norms": "n.csv"}, "norms is for dris or cnd, not for ratios"),
     ("cnd", {"optimum": {"N": 3.0}}, "optimum is for dop, not for cnd"),
     ("dop", {"source": "GARCIA2005"}, "source is for dris or cnd or dilution, not for dop"),
     ("cnd", {"dry_matter": True}, "dry matter is for dris, not for cnd"),
     ("dris", {"cutoff": 3.0}, "a cutoff applies only to norms built from yields")],
)  # fmt: skip
def test_an_option_of_another_method_is_refused(method, options, said):
    with pytest.raises(NotEstimable, match=said):
        answer_balance(read_tissue(WHEAT), method, **options)


def test_ratios_without_a_limit_are_counted_by_name():
    head = b"Sample,Crop,Stage,Part,N %,P %,K %\n"
    answer = answer_balance(read_tissue(head + b"A,corn,R1,ear leaf,2.9,0.3,2.1\n"))
    assert answer.lines()[0].text == "2 ratios without a published limit for crop, stage and part"  # N:P, N:K


def test_the_rest_of_the_dry_matter_is_never_needed_first():
    head = b"Sample,Crop,Stage,Part,N %,P %,K %,Ca %,Mg %\n"
    rows = (
        b"A,cowpea,,leaf,4.2,0.4,3.4,3.4,0.8\nB,cowpea,,leaf,4.2,0.2,3.4,3.4,0.8\nC,,,,4.2,0.2,3.4,3.4,0.8\n"
    )
    answer = answer_balance(read_tissue(head + rows), "cnd")
    first = answer.table[answer.table["order"] == 1].set_index("sample_id")["nutrient"]
    assert first["A"] == "R"  # every nutrient is far above its norm
    counted = next(line.text for line in answer.lines() if "Most limiting" in line.text)
    assert "R in" not in counted
    said = answer.summary()
    assert "R is all other dry matter" in said
    assert "Left out, C: no CND norms for a crop not stated" in said


@pytest.mark.parametrize(
    ("file", "method", "options"),
    [("leaf_tests.csv", "ratios", {}), ("leaf_biomass.csv", "dilution", {}),
     ("leaf_yields.csv", "cnd", {"yield_column": "Yield (bu/ac)", "cutoff": 200.0})],
)  # fmt: skip
def test_page_and_workbook_of_each(demo, tmp_path, file, method, options):
    answer = answer_balance(read_tissue(demo(file)), method, **options)
    page = answer.write_page(tmp_path / "b.html").read_text(encoding="utf-8")
    assert METHODS[method] in page
    assert "<img" in page
    captions = set(re.findall("<figcaption>(.*?)</figcaption>", page))
    assert not any(caption.endswith(": order of need") for caption in captions)  # the figure's own title
    assert answer.write_workbook(tmp_path / "b.xlsx").stat().st_size > 5000


def test_of_many_ratios_those_far_from_the_median_are_said(tmp_path):
    """Twenty samples alike in N:P (10) and N:K (1) but one: 29/1 and 2.9/0.3 lie far from the medians."""
    rows = [f"s{i},corn,R1,ear leaf,2.9,0.29,2.9\n" for i in range(20)] + [
        "odd,corn,R1,ear leaf,2.9,0.1,1.0\n"
    ]
    sheet = "Sample,Crop,Stage,Part,N %,P %,K %\n" + "".join(rows)
    answer = answer_balance(read_tissue(sheet.encode()))
    said = answer.summary()
    assert "odd: N:P 29, N:K 2.9" in said
    assert "32 more ratios in the table" in said  # 2 x 21 less ten
    assert [len(t.frame) for s in answer.sections for t in s.tables if "stand out" in t.title] == [10]
    book = pd.read_excel(
        answer.write_workbook(tmp_path / "b.xlsx"), sheet_name="Every sample", engine="openpyxl"
    )
    assert len(book) == 42


def test_rows_that_no_published_range_calls_short_say_so_once():
    """Corn ear leaves at R1: 2.0 % N lies below every published range, 0.40 % P and 2.5 % K below none."""
    sheet = b"Sample,Crop,Stage,Part,N %,P %,K %\na,corn,R1,ear leaf,2.00,0.40,2.50\n"
    answer = answer_balance(read_tissue(sheet), "dop", optimum={"N": 3.0, "P": 0.3, "K": 2.0})
    table = next(
        table for section in answer.sections for table in section.tables if table.title == "Every sample"
    )
    column = "by published limits (empty: not below any published range)"
    told = dict(zip(table.frame["nutrient"], table.frame[column], strict=True))
    assert told["N"] == "below every published range"
    assert told["P"] == told["K"] == ""
    assert answer.table.set_index("nutrient")["verdict"]["P"] == "not below any published range"
