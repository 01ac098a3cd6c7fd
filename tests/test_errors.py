"""Messages name file, row, column, value and remedy, all at once, and stay readable."""

import pytest

from fertkit.errors import FertkitError, InputError, Problem, unknown, with_code
from fertkit.tables import open_table


def test_message_names_place_value_and_remedy():
    error = InputError(
        "strips.csv", [Problem("not a number", "write 48.1", row=7, column="Yield (bu/ac)", value="48,1x")]
    )
    text = str(error)
    for part in ("strips.csv", "row 7", "'Yield (bu/ac)'", "'48,1x'", "not a number", "write 48.1"):
        assert part in text
    assert isinstance(error, FertkitError)


def test_all_problems_are_kept_and_a_long_list_is_cut_in_print_only():
    error = InputError("f.csv", [Problem(f"bad {i}", "mend it", row=i) for i in range(60)])
    assert len(error.problems) == 60
    assert "and 35 more" in str(error)
    assert len(str(error).splitlines()) < 30


def test_the_same_problem_in_many_rows_is_one_line_with_its_rows():
    same = [Problem("bad", "mend it", row=i, column="K", value=f"x{i}") for i in range(2, 42)]
    error = InputError("f.csv", [*same, Problem("bad", "mend it", row=3, column="Zn")])
    first, second = str(error).splitlines()[1:]
    assert "41 problems" in str(error)
    assert "row 2, column 'K', value 'x2'" in first
    assert "the same in 40 rows: 2, 3, 4, " in first
    assert "and 28 more" in first  # 40 rows, 12 of them named
    assert "column 'Zn'" in second
    assert "the same" not in second


def test_what_to_type_follows_a_stop_or_points():
    assert with_code("write kg, lb, ...", "--units x") == "write kg, lb, ..., or use --units x"
    assert with_code("write it.", "--units x") == "write it, or use --units x."


def test_long_user_text_cannot_flood_the_message():
    assert len(str(Problem("bad", "mend it", value="x" * 10_000))) < 200
    assert "\n" not in str(Problem("bad", "mend it", value="a\nb\nc"))


def test_unknown_name_lists_the_valid_ones():
    assert "choose one of: corn, soybean" in str(unknown("crop", "corm", ["soybean", "corn"]))


def test_one_cell_that_stands_for_several_strips_is_one_problem():
    again = [Problem("impossible rate", "check it", row=6, column="N", value=1600)] * 4
    assert str(InputError("wide.xlsx", again)).startswith("wide.xlsx: 1 problem to fix")
    assert len(InputError("wide.xlsx", again).problems) == 1


def test_a_name_spelled_much_like_a_known_one_is_told():
    told = str(unknown("crop", "Soybeen", ["corn", "soybean", "wheat"]))
    assert told == "unknown crop 'Soybeen', much like soybean; choose one of: corn, soybean, wheat"
    assert "much like" not in str(unknown("crop", "kelp", ["corn", "soybean"]))


def test_a_folder_in_place_of_a_file_is_called_one(tmp_path):
    with pytest.raises(InputError, match="this is a folder; name one file in it"):
        open_table(tmp_path)


def test_a_note_of_several_problems_is_one_line():
    note = InputError("costs", [Problem("one", "do this"), Problem("two", "do that")]).note
    assert note == "costs: one; do this; two; do that"
