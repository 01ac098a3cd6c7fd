"""Daily temperatures of a season: their dates in any order and shape, and days that cannot be."""

import numpy as np
import pandas as pd
import pytest

from fertkit.budget import season_demand
from fertkit.errors import InputError, NotEstimable

DAYS = pd.DataFrame({"date": pd.date_range("2024-05-15", periods=140), "tmax": 80.0, "tmin": 60.0})


def test_days_are_put_in_their_order_however_dates_are_written():
    # 20 degree-days a day of 80 and 60 F, none of 50 and 40: the cold ten days lie in the middle
    cold = DAYS.assign(tmax=np.where(DAYS.index // 10 == 3, 50.0, 80.0))
    cold["tmin"] = np.where(DAYS.index // 10 == 3, 40.0, 60.0)
    for pattern in ("%Y-%m-%d", "%m/%d/%Y", "%d.%m.%Y"):
        text = cold.assign(date=cold["date"].dt.strftime(pattern)).sample(frac=1, random_state=1)
        table = season_demand("corn", 200, temperatures=text.astype(str), nutrients=["N"]).table
        assert table["gdd"].iloc[[29, 39, 40]].tolist() == [600, 600, 620]
        assert table["date"].iloc[0] == pd.Timestamp("2024-05-15")
    indexed = season_demand("corn", 200, temperatures=DAYS.set_index("date"), nutrients=["N"])
    assert indexed.table["day"].max() == 125


@pytest.mark.parametrize(
    ("days", "unit", "error", "says"),
    [
        (DAYS.drop(index=[4, 5]), "F", InputError, "no row from 2024-05-18 to 2024-05-21; fill in every day"),
        (pd.concat([DAYS, DAYS.iloc[:1]]), "F", InputError, "row 142, column 'date'.*the same day twice"),
        (DAYS.assign(date=range(140)), "F", InputError, "row 2, column 'date', value '0'.*write dates like"),
        (DAYS.iloc[:0], "F", InputError, "the table has no days"),
        # 28 and 16 C are 82 and 61 F; read as F no day of a summer counts
        (DAYS.assign(tmax=28.0, tmin=16.0), "F", NotEstimable, "none is warmer than 50 F.*degrees C"),
        # the highest air temperature measured is 134 F, 56.7 C (Death Valley, 1913)
        (DAYS, "C", InputError, "value '80': hotter than any day measured, 56.7 C"),
        (DAYS.assign(tmax=135.0), "F", InputError, "hotter than any day measured, 134 F"),
    ],
)
def test_a_season_of_days_that_cannot_be_is_refused(days, unit, error, says):
    with pytest.raises(error, match=says):
        season_demand("corn", 200, temperatures=days, temperature_unit=unit)


def test_a_season_that_is_not_over_tells_no_peak_of_its_own():
    # R6 of corn takes 2,500 degree-days (WISC_GDD), 125 days of 20; 40 days reach 800, before V10-V14
    part = season_demand("corn", 200, temperatures=DAYS.head(40), nutrients=["N", "Fe"])
    whole = season_demand("corn", 200, temperatures=DAYS, nutrients=["N", "Fe"])
    assert (part.unfinished, whole.unfinished) == (True, False)
    said = part.summary()
    assert "first 40 days from emergence" in said
    assert "highest so far" in said
    assert "the curve's peak" not in said
    iron = part.table[part.table["nutrient"] == "Fe"]
    mean = iron["cumulative"].iloc[-1] / 40  # what is taken up so far, over its days
    assert part.stretches["daily"].tolist() == pytest.approx([mean])
    assert "the curve's peak" in whole.summary()
