"""Names with values in one line: a decimal comma parts nothing, and nothing is taken in silence."""

import pytest

from fertkit.errors import FertkitError
from fertkit.intake.typed import pairs_of


@pytest.mark.parametrize(
    ("text", "between", "found"),
    [
        ("N=0.5,P2O5=0.6", ",", {"N": "0.5", "P2O5": "0.6"}),
        ("N=0,5, P2O5 = 0,6,", ",", {"N": "0,5", "P2O5": "0,6"}),
        ("Heron Qtr=Heron Quarter; B=C;", ";", {"Heron Qtr": "Heron Quarter", "B": "C"}),
        ("", ";", {}),
    ],
)
def test_pairs(text, between, found):
    assert pairs_of(text, "A=B", between) == found


@pytest.mark.parametrize("text", ["N=1,N=2", "N", "N=1,P2O5", "=3", "N=", "N=1=2", "N=1,,2"])
def test_anything_else_is_refused(text):
    with pytest.raises(FertkitError, match=r"must be written like A=B|is given twice"):
        pairs_of(text, "A=B")
