"""What a simulated trial was made of: the answer that its strips can only estimate."""

from typing import NamedTuple

import pandas as pd

from fertkit.rounding import above


class Truth(NamedTuple):
    """The curve behind a simulated trial, a quadratic that turns flat at its join.

    Attributes
    ----------
    yield_without : float
        Yield at a rate of zero [unit of the yields].
    slope : float
        Yield that the first unit of nutrient adds [yield unit per rate unit]; 0 where nothing responds.
    join : float
        Rate from which on the curve is flat [unit of the rates].
    """

    yield_without: float
    slope: float
    join: float

    def gain(self, rate: float) -> float:
        """Yield of a rate over none [unit of the yields]."""
        rate = min(rate, self.join)
        return self.slope * rate - (self.slope / (2 * self.join) * rate**2 if self.join else 0.0)

    def best_rate(self, nutrient_price: float, grain_price: float) -> float:
        """Rate at which one more unit just pays; prices per unit of rate and of yield [unit of the rates]."""
        price_ratio = nutrient_price / grain_price
        return self.join * (1 - price_ratio / self.slope) if above(self.slope, price_ratio) else 0.0


def read_truth(path, trial: str) -> Truth:
    """Read what a trial of the demo data was made of."""
    return Truth(*pd.read_csv(path, index_col="trial").loc[trial, list(Truth._fields)].astype(float))
