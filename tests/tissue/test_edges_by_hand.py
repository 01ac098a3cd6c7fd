"""Edges of comparisons of leaves, by arithmetic on made-up samples."""

from io import StringIO

import pandas as pd
import pytest

from fertkit.intake import read_tissue
from fertkit.tissue import compare_treatments


def test_treatments_stand_in_the_order_of_the_samples():
    design = pd.DataFrame({"sample_id": list("abcd"), "treatment": ["split", "check"] * 2})
    rows = "".join(
        f"{name},soybean,R2,trifoliate,{k}\n" for name, k in zip("abcd", [1.9, 1.3, 2.1, 1.5], strict=True)
    )
    found = compare_treatments(read_tissue(StringIO("Sample,Crop,Stage,Part,K %\n" + rows)), design)
    assert found.means["treatment"].tolist() == ["split", "check"]
    assert found.means["mean"].tolist() == pytest.approx([2.0, 1.4])
