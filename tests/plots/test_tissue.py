"""Tissue figures: they say what the result says, in marks as well as in colour."""

import io

import pandas as pd
import pytest

from fertkit.errors import LookupFailed
from fertkit.intake import read_tissue
from fertkit.plots.leaf import (
    balance_bars,
    nutrition_curve,
    sample_detail,
    tissue_grid,
    treatment_means,
)
from fertkit.plots.palette import CLASS_MARKS
from fertkit.reference.load import short_names
from fertkit.tissue import (
    build_norms,
    cnd,
    compare_pairs,
    compare_treatments,
    explain,
    field_history,
    nitrogen_nutrition_index,
    score_tissue,
)

FILE = b"""Sample,Crop,Stage,Part,N (%),P (%),K (%),S (%),Zn (ppm),Mo (ppm)
North,soybean,R2,trifoliate without petiole,4.5,0.30,1.40,0.25,22,<2
South,soybean,R2,trifoliate without petiole,5.0,0.36,2.10,0.25,52,ND
Home,corn,V10,ear leaf,2.6,0.24,1.80,0.15,14,0.3
"""


@pytest.fixture(scope="module")
def scores():
    return score_tissue(read_tissue(io.BytesIO(FILE)))


def drawn(ax):
    ax.figure.canvas.draw()
    return [t.get_text() for t in ax.texts], [t.get_text() for t in ax.get_yticklabels()]


def test_grid_shows_each_value_and_sample(scores):
    ax = tissue_grid(scores)
    texts, labels = drawn(ax)
    assert "1.4" in texts
    assert "<2" in texts
    assert "ND" in texts
    assert labels == ["North\nsoybean R2", "South\nsoybean R2", "Home\ncorn V10"]
    assert len(texts) == len(scores.agreement)


def test_grid_tells_classes_by_hatch_too(scores):
    ax = tissue_grid(scores)
    hatches = {p.get_hatch() for p in ax.patches}
    assert {CLASS_MARKS["deficient"].hatch, CLASS_MARKS["low"].hatch} <= hatches
    shades = [(m.hatch, m.marker, m.filled) for m in CLASS_MARKS.values()]
    assert len(set(shades)) == len(shades)


def test_grid_keeps_to_the_samples_it_can_show(scores):
    ax = tissue_grid(scores, most=2)
    _, labels = drawn(ax)
    assert len(labels) == 2
    assert "first 2 of 3" in ax.get_title(loc="left")


def test_detail_draws_every_source_of_a_sample(scores):
    ax = sample_detail(scores, "North")
    texts, labels = drawn(ax)
    rows = scores.table[
        (scores.table["sample_id"] == "North")
        & (scores.table["low"].notna() | scores.table["critical"].notna())
    ]
    assert sorted(t.rstrip("*") for t in texts) == sorted(map(short_names, rows["source_key"]))
    assert "K  1.4 %" in labels
    assert any(t.endswith("*") for t in texts)  # remembered ranges are marked


def test_detail_of_an_unknown_sample_lists_the_samples(scores):
    with pytest.raises(LookupFailed, match="North"):
        sample_detail(scores, "East")


def test_detail_without_a_range_says_so(scores):
    assert drawn(sample_detail(scores, "Home"))[0] == ["no published range fits this sample"]


def test_every_tissue_result_has_a_main_figure(scores):
    samples = read_tissue(io.BytesIO(FILE))
    assert samples.plot() is not None
    assert explain(scores).plot() is not None
    assert scores.plot().get_title(loc="left") == "Tissue results by class"


def frame(values, **columns):
    rows = [
        {"specimen": k + 1, "sample_id": s, "nutrient": n, "value": v}
        for k, (s, held) in enumerate(values.items())
        for n, v in held.items()
    ]
    where = {"crop": "corn", "growth_stage": "R1", "plant_part": "ear leaf", "censored": ""}
    return pd.DataFrame(rows).assign(**{**where, **columns})


def test_pair_figure_names_the_pattern():
    good, poor = {"N": 3.2, "K": 2.2, "P": 0.3}, {"N": 3.2, "K": 1.2, "P": 0.3}
    ax = compare_pairs(frame({"East good": good, "East poor": poor})).plot()
    _, labels = drawn(ax)
    assert labels[2] == "K  1.2 : 2.2 %"
    assert ax.get_title(loc="left") == "East: one or few nutrients lower"


def test_history_figure_shows_each_value_and_where_no_range_exists():
    parts = [
        frame({"F": {"N": 3.0}}, sampled=pd.Timestamp("2024-07-10")),
        frame({"F": {"N": 2.4}}, sampled=pd.Timestamp("2024-07-25")).assign(specimen=2),
        frame({"F": {"N": 2.0}}, sampled=pd.Timestamp("2024-08-25"), growth_stage="R5").assign(specimen=3),
    ]
    ax = field_history(pd.concat(parts)).plot()
    texts, labels = drawn(ax)
    assert texts == ["3.0", "2.4", "2.0", "corn\n2024"]
    assert labels == ["N  %"]
    assert "no published range" in [t.get_text() for t in ax.get_legend().get_texts()]
    with pytest.raises(LookupFailed, match="field"):
        field_history(pd.concat(parts)).plot(field="G")


def test_balance_figure_puts_the_first_need_on_top():
    sample = {"N": 2.20, "P": 0.25, "K": 1.40, "Ca": 2.40, "Mg": 0.45}
    ax = balance_bars(cnd(frame({"a": sample}, crop="cowpea", plant_part="leaf")))
    assert drawn(ax)[1][0] == "K"


def test_treatment_and_nutrition_and_norm_figures():
    values = {f"p{i}": {"N": 2.5 + 0.1 * i, "K": 1.9 + 0.02 * (i % 3)} for i in range(8)}
    design = pd.DataFrame({"sample_id": list(values), "treatment": ["none", "with"] * 4})
    ax = treatment_means(compare_treatments(frame(values), design), nutrient="N")
    assert [t.get_text() for t in ax.get_xticklabels()] == ["none", "with"]
    index = nitrogen_nutrition_index("corn", [5, 25], [1.6, 1.2], names=["a", "b"])
    region = index.curves.set_index("source_key").loc["PLENET2000", "region"]
    lines = [line.get_xdata().max() for line in nutrition_curve(index).lines if region in line.get_label()]
    assert lines == pytest.approx([22.0])  # the curve is not drawn past its last biomass
    yields = {name: 100 + 10 * i for i, name in enumerate(values)}
    for method in ("dris", "cnd"):
        norms = build_norms(frame(values), yields, cutoff=140, method=method)
        assert len(drawn(norms.plot())[1]) == len(norms.table)


def test_results_of_mixed_crops_stand_against_their_own():
    soy = frame({"a": {"N": 5.0}, "b": {"N": 5.0}}, crop="soybean")
    corn = frame({"c": {"N": 3.0}, "d": {"N": 3.0}}).assign(specimen=[3, 4])
    lines = ["Sample,Crop,N (%),K (%)"]
    lines += [f"{r.sample_id},{r.crop},{r.value},2" for r in pd.concat([soy, corn]).itertuples()]
    ax = read_tissue("\n".join(lines).encode()).plot()
    assert drawn(ax)[1] == ["N", "K"]
    assert "its crop" in ax.get_xlabel()
    assert {x for line in ax.lines[:-1] for x in line.get_xdata()} == {1.0}
