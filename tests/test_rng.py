"""Random numbers come from the seed that was passed, and a seed that cannot be one is said so."""

import numpy as np
import pytest

from fertkit.asked import make_rng
from fertkit.cli import main
from fertkit.errors import NotEstimable


def test_a_seed_gives_the_numbers_of_numpy_and_a_generator_goes_on():
    assert make_rng(7).random() == np.random.default_rng(7).random()
    stream = np.random.default_rng(1)
    assert make_rng(stream) is stream


@pytest.mark.parametrize("seed", [-1, 1.5, "seven"])
def test_what_is_no_seed_is_refused(seed):
    with pytest.raises(NotEstimable, match="a seed is a whole number"):
        make_rng(seed)


def test_a_negative_seed_on_the_command_line_is_told_in_one_line(demo, capsys):
    asked = ["--crop", "corn", "--nutrient-price", "0.5", "--grain-price", "4", "--seed", "-1"]
    assert main(["strips", str(demo("corn_n_strips.csv")), *asked]) != 0
    told = capsys.readouterr().err
    assert "column 'seed', value '-1'" in told
    assert "not a whole number; Give 0 or more" in told
