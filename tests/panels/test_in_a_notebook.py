"""What the cell below a panel shows when there is no answer: one sentence, not the way through the code."""

import sys

import pytest
from IPython.core.interactiveshell import InteractiveShell
from IPython.utils.capture import capture_output

from fertkit.errors import FertkitError
from fertkit.panels import OptimumPanel
from fertkit.response import Prices, analyse_response


@pytest.fixture
def metric(tmp_path):
    path = tmp_path / "metric.csv"
    rows = [(b, r, 3 + 0.01 * min(r, 80) + b / 20) for b in (1, 2, 3) for r in (0, 40, 80, 120)]
    path.write_text("Block,K2O (kg/ha),Yield (t/ha)\n" + "\n".join(f"{b},{r},{y}" for b, r, y in rows))
    return path


def test_prices_of_other_units_stop_the_cell_below(metric):
    prices = Prices(nutrient=0.45, nutrient_per="lb", grain=4.5, grain_per="bu")
    panel = OptimumPanel(metric, crop="soybean", prices=prices)
    with pytest.raises(FertkitError, match="price per kg of K2O and the price per t of soybean"):
        _ = panel.answer
    with pytest.raises(FertkitError, match="bushel"):
        analyse_response(panel.data, prices=prices)


def test_a_panel_without_a_file_has_no_answer():
    with pytest.raises(FertkitError, match="open a file in the panel first"):
        _ = OptimumPanel().answer


def test_a_notebook_shows_the_message_alone(monkeypatch):
    monkeypatch.setitem(sys.modules, "__main__", sys.modules["__main__"])  # a shell puts its own there
    shell = InteractiveShell()
    with capture_output() as shown:
        shell.run_cell("from fertkit.errors import FertkitError\nraise FertkitError('mend the file')")
    assert "FertkitError: mend the file" in shown.stdout + shown.stderr
    assert "Traceback" not in shown.stdout + shown.stderr
