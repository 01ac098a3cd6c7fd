"""The command line answers, and refuses with one clear message, status 2 and nothing half written."""

import os
import subprocess
import sys

import pytest

from fertkit.cli import main


def run(capsys, *words):
    status = main([str(word) for word in words])
    printed = capsys.readouterr()
    return status, printed.out, printed.err


PRICES = ["--nutrient-price", 0.45, "--grain-price", 11]


def test_the_main_job(capsys, demo, tmp_path):
    page = tmp_path / "field.html"
    status, out, err = run(
        capsys, "field", "--crop", "soybean", "--goal", 60, "--leaf", demo("leaf_tests.csv"),
        "--strips", demo("soybean_k_strips.csv"), *PRICES, "--page", page,
    )  # fmt: skip
    assert (status, err) == (0, "")
    lines = out.strip().splitlines()
    assert 7 <= len(lines) <= 14
    assert max(map(len, lines)) < 240
    assert "Heron Quarter poor" in out
    assert "economic optimum of K2O" in out
    html = page.read_text(encoding="utf-8")
    assert html.count("<img") == 5  # that of the sheet, and one a part
    assert "http-equiv" not in html
    assert "Stammer" in html


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["needs", "soybean", 80], "season maximum"),
        (["needs", "maize", 12.5, "--goal-unit", "t/ha", "--unit", "kg/ha"], "[kg/ha]"),
        (["sources", "STAMMER2018"], "Soil Science Society of America Journal 82:260-270"),
        (["sources"], "BENDER2015"),
    ],
)
def test_short_questions(capsys, words, expected):
    status, out, err = run(capsys, *words)
    assert (status, err) == (0, "")
    assert expected in out


def test_policies_of_a_plan_stand_in_one_option_or_in_several(capsys, tmp_path):
    """By hand: 80 ac at 150 lb/ac take 12,000 lb of N, at 40 lb/ac 3,200 lb of P2O5."""
    fields = tmp_path / "fields.csv"
    fields.write_text("field,crop,area_ac,yield_goal_bu_ac\nHome,corn,80,200\n", encoding="utf-8")
    together = run(capsys, "plan", fields, "--policy", "N=150, P2O5=40,K=none")
    apart = run(capsys, "plan", fields, "--policy", "N=150", "--policy", "P2O5=40", "--policy", "K=none")
    assert together == apart
    assert "12,000 lb to apply" in together[1]
    assert "3,200 lb to apply" in together[1]
    status, out, err = run(capsys, "plan", fields, "--policy", "N=150", "--policy", "N=160")
    assert (status, out, err) == (2, "", "fertkit: 'N' is given twice; keep one\n")


@pytest.mark.usefixtures("undrawn")
def test_a_farm_is_printed_and_written(capsys, tmp_path):
    """By hand: 80 ac of 40 bu/ac soybean remove 3200 bu at 3.8 lb N (MSU2017)."""
    fields, page, table = (tmp_path / name for name in ("fields.csv", "farm.html", "farm.csv"))
    fields.write_text("field,crop,area_ac,yield_goal_bu_ac\nHome,soybean,80,40\n", encoding="utf-8")
    status, out, err = run(capsys, "farm", fields, "--source", "MSU2017", "--page", page, "--table", table)
    assert (status, err) == (0, "")
    assert out.startswith("1 field, 80 ac")
    assert "12,160" in out
    assert "12160" in page.read_text(encoding="utf-8")
    assert "Home" in table.read_text(encoding="utf-8")
    fields.write_text("field,crop,area_ac\nHome,soybean,80\n", encoding="utf-8")
    assert run(capsys, "farm", fields)[0] == 2


@pytest.mark.parametrize("file", ["leaf_tests.csv", "leaf_tests_messy.csv"])
def test_leaf(capsys, demo, tmp_path, file):
    table = tmp_path / "scores.csv"
    status, out, _ = run(capsys, "leaf", demo(file), "--table", table)
    assert status == 0
    assert "Heron Quarter: K 1.31 % in the poor area, 2.16 in the good" in out
    assert "1. Short, act now: K 1.31 % is below all 3 published limits" in out
    assert table.read_text(encoding="utf-8").startswith("specimen,sample_id")


def test_strips(capsys, demo):
    status, out, _ = run(capsys, "strips", demo("corn_n_strips.csv"), "--crop", "corn", *PRICES)
    assert status == 0
    assert "Economic optimum rate:" in out


@pytest.mark.usefixtures("undrawn")
def test_a_strip_far_from_the_rest_is_said_before_the_optimum(capsys, tmp_path):
    slip = tmp_path / "slip.csv"
    slip.write_text("block,rate lb/ac,yield bu/ac\n1,0,50\n1,50,55\n1,100,58\n2,0,51\n2,50,56\n2,100,590\n"
                    "3,0,51\n3,50,57\n3,100,58\n")  # fmt: skip
    for page in ((), ("--page", tmp_path / "page.html")):
        status, out, _ = run(capsys, "strips", slip, *PRICES, *page)
        assert status == 0
        assert 0 <= out.index("Check this first: block 2") < out.index("Economic optimum rate")


LEAF = "Sample,Crop,Stage,Plant part,{header}\nA,soybean,R2,upper trifoliate leaf,{value}\n"
STRIPS = "Block,Rate (lb/ac),Yield (bu/ac)\n1,0,50\n1,50,{one}\n1,100,58\n2,0,51\n2,50,56\n2,{rate},57\n"


def test_trials_of_one_rate_are_named_and_the_others_answered(capsys, demo, tmp_path):
    good = demo("corn_n_strips.csv").read_text(encoding="utf-8")
    header = good.splitlines()[0]
    alike = [f"{name},{b},{b},100,150,18.9,30,1200" for name in ("Lone", "Flat") for b in (1, 2, 3)]
    mixed, alone = tmp_path / "mixed.csv", tmp_path / "alone.csv"
    mixed.write_text("\n".join([good.strip(), *alike]), encoding="utf-8")
    alone.write_text("\n".join([header, *alike]), encoding="utf-8")
    status, out, _ = run(capsys, "strips", mixed, "--crop", "corn", *PRICES)
    assert status == 0
    assert "Economic optimum rate" in out
    told = out.split("Not analysed:")[1]
    for name in ("Lone", "Flat"):
        assert f"trial {name}: all rates are equal" in told
    status, out, err = run(capsys, "strips", alone, "--crop", "corn", *PRICES)
    assert (status, out) == (2, "")
    assert err.count("all rates are equal") == 2


@pytest.mark.parametrize(
    ("kind", "content", "expected"),
    [
        ("leaf", LEAF.format(header="P2O5 (%)", value="0.8"), ["P2O5", "column"]),
        ("leaf", LEAF.format(header="K (stones)", value="1.8"), ["stones"]),
        ("leaf", LEAF.format(header="K (%)", value="lots"), ["row 2", "lots"]),
        ("leaf", LEAF.format(header="K (%)", value="1.8").replace("soybean", "soybeen"), ["soybeen"]),
        ("leaf", LEAF.format(header="K (%)", value="1.8").replace("R2", "R99"), ["R99"]),
        ("strips", STRIPS.format(one="55", rate="100").replace("Yield (bu/ac)", "Weight"), ["ield"]),
        ("strips", STRIPS.format(one="much", rate="100"), ["row 3", "much", "Yield (bu/ac)"]),
        ("strips", STRIPS.format(one="-55", rate="100"), ["row 3", "-55"]),
        ("strips", STRIPS.format(one="55", rate="100").replace("(lb/ac)", "(stones/ac)"), ["stones"]),
        ("strips", "Block,Strip,Rate (lb/ac),Yield (bu/ac)\n1,1,0,50\n1,1,0,50\n1,2,50,55\n", ["row 3", "1"]),
    ],
)  # fmt: skip
def test_bad_input_is_refused_with_place_and_remedy(capsys, tmp_path, kind, content, expected):
    file, table = tmp_path / "given.csv", tmp_path / "out.csv"
    file.write_text(content, encoding="utf-8")
    table.write_text("old", encoding="utf-8")
    extra = PRICES if kind == "strips" else []
    status, out, err = run(capsys, kind, file, *extra, "--table", table)
    assert (status, out) == (2, "")
    assert "Traceback" not in err
    for part in expected:
        assert part in err
    assert table.read_text(encoding="utf-8") == "old"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["needs", "soybeen", 60], "soybean"),
        (["needs", "soybean", -5], "-5"),
        (["needs", "soybean", 60, "--goal-unit", "stones"], "stones"),
        (["needs", "soybean", 0], "above 0"),
        (["needs", "corn", 700], "624 bu/ac (2023, national contest"),
        (["needs", "sunflower", 2000], "reported by weight"),
        (["sources", "NOBODY1900"], "All keys: fertkit sources"),
        (["leaf", "nowhere.csv"], "nowhere.csv"),
    ],
)
def test_impossible_questions(capsys, words, expected):
    status, out, err = run(capsys, *words)
    assert (status, out) == (2, "")
    assert expected in err


def test_a_source_key_misspelt_among_known_ones(capsys):
    status, out, err = run(capsys, "sources", "stammer2018", "BENDR2015")
    assert status == 2
    assert out.startswith("STAMMER2018: ")
    assert "similar: BENDER2015" in err
    assert len(err) < 200


def test_asked_nothing_it_lists_its_questions(capsys):
    status, out, err = run(capsys)
    assert (status, err) == (0, "")
    for question in (
        "field",
        "needs",
        "farm",
        "leaf",
        "strips",
        "batch",
        "sources",
        "words",
        "limits",
        "open",
    ):
        assert f"\n    {question} " in out


def test_decimal_commas(capsys):
    status, out, _ = run(capsys, "needs", "maize", "11,5", "--goal-unit", "t/ha")
    assert status == 0
    assert out == run(capsys, "needs", "maize", "11.5", "--goal-unit", "t/ha")[1]
    for typed, why in (
        ("1,500", "may be 1.500 or 1500"),
        ("1,2,3", "not a number"),
        ("<5", "not a number"),
    ):
        with pytest.raises(SystemExit):
            main(["needs", "maize", typed])
        assert why in capsys.readouterr().err


def test_needs_are_asked_as_spoken(capsys):
    for spoken, typed in (
        (("soybean", "80", "bu/ac"), ("soybean", "80", "--goal-unit", "bu/ac")),
        (("dry", "bean", "22", "cwt/ac"), ("dry bean", "22", "--goal-unit", "cwt/ac")),
        (("corn", "silage", "25", "ton/ac"), ("corn", "25", "--part", "silage", "--goal-unit", "ton/ac")),
        (("wheat", "80", "--baled", "50%"), ("wheat", "80", "--baled", "0.5")),
        (("soybean", "80", "--source", "MSU2017,BENDER2015"),
         ("soybean", "80", "--source", "MSU2017", "--source", "BENDER2015")),
    ):  # fmt: skip
        first = run(capsys, "needs", *spoken)
        assert first[0] == 0
        assert first == run(capsys, "needs", *typed)


def test_a_goal_keeps_its_unit(capsys):
    out = run(capsys, "needs", "wheat", 85, "--goal-unit", "dt/ha")[1]
    assert "85 dt/ha" in out


GERMAN = "Ort;Kl;K2O (kg/ha);Masse [dt/ha];Protein (%)\n" + "".join(
    f"Nordfeld;{b};{x};{40 + b + x // 10 - x * x // 2500 + (x // 40 + b) % 2};12,{b}\n"
    for b in (1, 2, 3) for x in (0, 40, 80, 120)
)  # fmt: skip


@pytest.mark.usefixtures("undrawn")
def test_columns_named_on_the_command_line(capsys, tmp_path, demo):
    file, page = tmp_path / "streifen.csv", tmp_path / "page.html"
    file.write_text(GERMAN, encoding="utf-8")
    prices = ["--nutrient-price", "0,75", "--grain-price", 40]
    status, _, err = run(capsys, "strips", file, *prices)
    assert status == 2
    assert '--column yield="your header"' in err
    named = ["--column", "yield=Masse [dt/ha]"]
    status, _, err = run(capsys, "strips", file, *prices, *named)
    assert status == 2
    assert "looks like blocks" in err
    named += ["--column", "block=Kl"]
    for extra in ([], ["--page", page]):
        status, out, err = run(capsys, "strips", file, *prices, *named, *extra)
        assert (status, err) == (0, "")
        assert "dt/ha" in out
        assert "Note: not used: column 'Protein (%)'." in out
    assert "not used: column" in page.read_text(encoding="utf-8")
    status, out, err = run(
        capsys, "field", "--crop", "soybean", "--goal", 45, "--goal-unit", "dt/ha", "--leaf",
        demo("leaf_tests.csv"), "--strips", file, *prices, *named, "--currency", "EUR", "--page", page,
    )  # fmt: skip
    assert (status, err) == (0, "")
    assert "yield goal 45 dt/ha" in out
    assert "q/ha" not in out
    assert "; strip file, not used: column 'Protein (%)'." in out  # short notes share a line
    assert "Strip file, not used: column" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("typed", ["yield", "=Masse", "yield="])
def test_a_column_option_without_role_or_header(capsys, typed):
    with pytest.raises(SystemExit):
        main(["strips", "x.csv", "--nutrient-price", "1", "--grain-price", "4", "--column", typed])
    assert "ROLE=HEADER" in capsys.readouterr().err


def test_negative_price(capsys, demo):
    status, _, err = run(
        capsys,
        "strips",
        demo("corn_n_strips.csv"),
        "--crop",
        "corn",
        "--nutrient-price=-1",
        "--grain-price",
        4,
    )
    assert status == 2
    assert "price" in err


def test_all_problems_of_a_file_at_once(capsys, tmp_path):
    file = tmp_path / "two.csv"
    file.write_text(STRIPS.format(one="much", rate="x"), encoding="utf-8")
    _, _, err = run(capsys, "strips", file, *PRICES)
    assert "2 problems" in err
    assert "row 3" in err
    assert "row 7" in err


@pytest.mark.usefixtures("undrawn")
def test_page_in_a_missing_folder_leaves_nothing(capsys, demo, tmp_path):
    status, _, err = run(
        capsys, "field", "--crop", "soybean", "--goal", 60, "--leaf", demo("leaf_tests.csv"),
        "--strips", demo("soybean_k_strips.csv"), *PRICES, "--page", tmp_path / "none" / "field.html",
    )  # fmt: skip
    assert status == 2
    assert "none" in err
    assert not list(tmp_path.iterdir())


@pytest.mark.usefixtures("undrawn")
def test_crop_without_samples_is_said(capsys, demo, tmp_path):
    status, _, err = run(
        capsys, "field", "--crop", "wheat", "--goal", 80, "--leaf", demo("leaf_tests.csv"),
        "--strips", demo("soybean_k_strips.csv"), *PRICES, "--page", tmp_path / "field.html",
    )  # fmt: skip
    assert status == 2
    assert "holds no sample of wheat" in err


@pytest.mark.parametrize("question", ["field", "needs", "leaf", "strips", "sources", "open"])
def test_help_shows_an_example(capsys, question):
    with pytest.raises(SystemExit) as left:
        main([question, "--help"])
    assert left.value.code == 0
    assert f"example: fertkit {question}" in capsys.readouterr().out


@pytest.mark.usefixtures("undrawn")
@pytest.mark.parametrize("goal", ["0", "-5", "nan", "inf"])
def test_a_goal_that_is_none_is_refused_in_words(capsys, demo, tmp_path, goal):
    status, out, err = run(
        capsys, "field", "--crop", "soybean", f"--goal={goal}", "--leaf", demo("leaf_tests.csv"),
        "--strips", demo("soybean_k_strips.csv"), "--nutrient-price", 0.45, "--grain-price", 11,
        "--page", tmp_path / "p.html",
    )  # fmt: skip
    assert status != 0
    assert "Traceback" not in err + out
    assert "above 0" in err or "not a number" in err


WARNS = """
import sys, warnings
import fertkit.cli as cli
whole = cli._parser
cli._parser = lambda asked: (warnings.warn("divide by zero", RuntimeWarning), whole(asked))[1]
sys.argv = ["fertkit", "limits"]
sys.exit(cli.main())
"""


@pytest.mark.parametrize(("options", "told"), [([], False), (["-W", "default"], True)])
def test_a_warning_of_a_library_stays_off_the_terminal_unless_asked_for(options, told):
    clean = {name: value for name, value in os.environ.items() if name != "PYTHONWARNINGS"}
    run = subprocess.run(
        [sys.executable, *options, "-c", WARNS], env=clean, capture_output=True, text=True, check=True
    )
    assert run.stdout
    assert ("divide by zero" in run.stderr) == told
    assert told or run.stderr == ""


WAITS = """
import atexit
import fertkit.cli as cli
cli.main = lambda: (atexit.register(print, "all is written"), {status})[1]
cli.command()
"""


@pytest.mark.parametrize("status", [0, 2])
def test_the_process_ends_with_the_status_after_all_that_waits_for_its_end(status):
    code = [sys.executable, "-c", WAITS.format(status=status)]
    run = subprocess.run(code, capture_output=True, text=True, check=False)
    assert (run.returncode, run.stdout.strip(), run.stderr) == (status, "all is written", "")


def test_a_closed_output_is_no_error(monkeypatch, capsys, tmp_path):
    """Python gives a process whose standard output is closed None for it, and prints nothing."""
    monkeypatch.setattr(sys, "stdout", None)
    assert main(["words", "plateau"]) == 0
    assert main(["strips", str(tmp_path / "none.csv")]) == 2
    assert "file not found" in capsys.readouterr().err
