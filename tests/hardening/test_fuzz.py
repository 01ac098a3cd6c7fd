"""A small part of the fuzz on every run; the whole is ``python tests/hardening/fuzz.py 20000``."""

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fertkit.cli import main
from fertkit.errors import FertkitError
from fertkit.intake import read_points, read_shed, read_soil, read_strips, read_tissue

FUZZ = Path(__file__).with_name("fuzz.py")


def test_damaged_files_and_odd_command_lines(tmp_path):
    done = subprocess.run(
        [sys.executable, FUZZ, "200", "--seed", "2"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stdout + done.stderr


CELLS = st.one_of(
    st.sampled_from(
        [
            "N (%)",
            "K2O rate (lb/ac)",
            "Yield (t/ha)",
            "Block",
            "Sample",
            "Moisture",
            "lat",
            "lon",
            "3,2",
            "<1",
            "P Bray-1 ppm",
            "Product",
            "Price ($/ton)",
            "MAP",
            "Depth",
        ]
    ),
    st.text(max_size=6),
    st.floats().map(str),
)
GRIDS = st.lists(st.lists(CELLS, min_size=1, max_size=6), min_size=1, max_size=6)


@settings(max_examples=60, deadline=None)
@given(
    grid=GRIDS, delimiter=st.sampled_from(",;\t|"), encoding=st.sampled_from(["utf-8", "utf-16", "cp1252"])
)
@pytest.mark.parametrize(
    "read", [read_tissue, read_soil, read_shed, read_strips, lambda data: read_points(data, crop="corn")]
)
def test_any_grid_of_cells_is_read_or_refused(read, grid, delimiter, encoding):
    data = "\n".join(delimiter.join(row) for row in grid).encode(encoding, "replace")
    try:
        answer = read(data).table
    except FertkitError as error:
        answer = str(error)
    assert 0 < len(answer) < 20_000


WORDS = st.one_of(
    st.sampled_from(["needs", "sources", "leaf", "corn", "80", "--unit", "--crop"]),
    st.text(max_size=5),
    st.floats().map(str),
)


@settings(max_examples=60, deadline=None)
@given(words=st.lists(WORDS, max_size=5))
def test_any_words_end_with_a_status(words):
    try:
        status = main([w for w in words if w != "open" and "\0" not in w and not w.startswith("--t")])
    except SystemExit as left:
        status = left.code
    assert status in (0, 2)
