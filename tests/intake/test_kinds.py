"""A file of one kind given where another belongs is told by its headers; files that only look odd are not."""

from pathlib import Path

import pytest

from fertkit.errors import InputError
from fertkit.intake import read_shed, read_soil, read_strips, read_tissue
from fertkit.intake.farm import read_farm
from fertkit.intake.lists import read_field_table

DEMO = Path(__file__).parents[2] / "datasets_demo"
LOOKS = {
    "leaf_tests.csv": "a leaf report", "plan_soil.csv": "a soil report",
    "soybean_k_strips.csv": "a file of strips", "combine_log.csv": "a log of harvest points",
    "applied_map.csv": "a map of what was applied", "fields.csv": "a table of fields",
    "plan_shed.csv": "a list of products", "plan_passes.csv": "a list of passes",
}  # fmt: skip
READERS = {
    "leaf_tests.csv": read_tissue, "plan_soil.csv": read_soil, "soybean_k_strips.csv": read_strips,
    "fields.csv": read_field_table, "plan_shed.csv": read_shed,
}  # fmt: skip
#: Names of products are words of nutrients: a shed is read as a report that holds no crop.
READ_ALL_THE_SAME = {("leaf_tests.csv", "plan_shed.csv")}


@pytest.mark.parametrize("own", READERS)
@pytest.mark.parametrize("given", LOOKS)
def test_each_demo_file_is_called_what_it_is(own, given):
    if own == given or (own, given) in READ_ALL_THE_SAME:
        return
    with pytest.raises(InputError) as caught:
        READERS[own](DEMO / given)
    assert [p.what for p in caught.value.problems] == [f"this looks like {LOOKS[given]}"]


def test_a_table_with_a_sign_of_its_own_kind_keeps_its_own_complaints(tmp_path):
    file = tmp_path / "strips.csv"
    file.write_text("block,N rate (lb/ac),pH,OM (%),Yield\n1,0,6.1,3,150\n1,60,6.2,3,170\n")
    with pytest.raises(InputError, match="column 'Yield': not a known unit"):
        read_strips(file)


def test_passes_without_products_are_not_passed_over():
    with pytest.raises(InputError, match="passes without products"):
        read_farm(DEMO / "plan_fields.csv", passes=DEMO / "plan_shed.csv")
