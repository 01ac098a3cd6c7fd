"""Messages name file, row, column, value and remedy, all at once, and stay readable."""

from fertkit.errors import FertkitError, InputError, Problem, unknown


def test_message_names_place_value_and_remedy():
    error = InputError(
        "strips.csv", [Problem("not a number", "write 48.1", row=7, column="Yield (bu/ac)", value="48,1x")]
    )
    text = str(error)
    for part in ("strips.csv", "row 7", "'Yield (bu/ac)'", "'48,1x'", "not a number", "write 48.1"):
        assert part in text
    assert isinstance(error, FertkitError)


def test_all_problems_are_kept_and_a_long_list_is_cut_in_print_only():
    error = InputError("f.csv", [Problem("bad", "mend it", row=i) for i in range(60)])
    assert len(error.problems) == 60
    assert "and 35 more" in str(error)
    assert len(str(error).splitlines()) < 30


def test_long_user_text_cannot_flood_the_message():
    assert len(str(Problem("bad", "mend it", value="x" * 10_000))) < 200
    assert "\n" not in str(Problem("bad", "mend it", value="a\nb\nc"))


def test_unknown_name_lists_the_valid_ones():
    assert "choose one of: corn, soybean" in str(unknown("crop", "corm", ["soybean", "corn"]))
