"""Numbers that end in their decimal mark, and a code at the very limit of the values beside it."""

import math

import pytest

from fertkit.intake.numbers import NumberStyle, Reading, read_number, settle_codes

STYLES = {mark: NumberStyle(mark, "given") for mark in ".,"}


@pytest.mark.parametrize("mark", ".,")
@pytest.mark.parametrize("digits", ["7", "12", "305", "1047", "20600"])
def test_a_number_that_ends_in_its_mark_keeps_all_its_digits(digits, mark):
    assert read_number(digits + mark, STYLES[mark]).value == int(digits)
    assert read_number(f"<{digits}{mark}", STYLES[mark]) == Reading(float(digits), "<")
    assert read_number(f"-{digits}{mark}", STYLES[mark]).problem == "below zero"
    other = "," if mark == "." else "."
    assert math.isnan(read_number(digits + other, STYLES[mark]).value)
    assert "not the file's decimal mark" in read_number(digits + other, STYLES[mark]).problem


def test_a_code_just_within_one_and_a_half_times_the_others_is_a_value():
    # 14,998.5 / 1.5 and 6,666 x 1.5 are 9,999.
    for others in ([14998.5, 16000.0], [6666.0, 5.0], [6666.0, 14998.5]):
        *_, code = settle_codes([Reading(v) for v in [*others, 9999.0]], lambda value: True)
        assert code == Reading(9999.0)
