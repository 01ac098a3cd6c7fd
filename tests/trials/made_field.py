"""A made field: strips with known rates, a combine's log and records of an applicator, all invented."""

import numpy as np
import pandas as pd

from fertkit.intake.points import EARTH_M

DEGREE = EARTH_M * np.pi / 180
LB_PER_KG = 1 / 0.45359237
AT = (-93.0, 44.0)


def response(rate, join=120.0, gain=60.0, low=120.0):
    """Quadratic to a plateau [bu/ac]."""
    part = np.minimum(np.asarray(rate, dtype=float) / join, 1)
    return low + gain * (2 * part - part**2)


def smooth(rng, n, reach, sd):
    """A row of correlated values: an autoregression of order one with this reach [records]."""
    rho = np.exp(-1 / reach)
    out = np.empty(n)
    out[0] = rng.normal(0, sd)
    steps = rng.normal(0, sd * np.sqrt(1 - rho**2), n)
    for i in range(1, n):
        out[i] = rho * out[i - 1] + steps[i]
    return out


def orders(rng, rates, blocks):
    """Rates of the strips from west to east, each block in a random order."""
    return np.concatenate([rng.permutation(rates) for _ in range(blocks)])


def made_field(
    rates=(0, 50, 100, 150, 200), blocks=4, per_strip=2, length=400.0, width=9.0, speed=2.0, delay=0, seed=1,
    strip_sd=2.0, noise=6.0, drift=0.02, yields=lambda rate, x, y: response(rate), headland=20.0,
):  # fmt: skip
    """Log of a combine, records of an applicator and polygons of the strips, with the truth.

    Returns
    -------
    log, applied : DataFrame
    polygons : dict
    strips : DataFrame
        block, rate, west [m].
    """
    rng = np.random.default_rng(seed)
    plan = orders(rng, np.asarray(rates, dtype=float), blocks)
    across = per_strip * width
    strips = pd.DataFrame({"block": np.repeat(np.arange(1, blocks + 1), len(rates)), "rate": plan})
    strips["west"] = np.arange(len(plan)) * across
    effect = rng.normal(0, strip_sd, len(plan))
    records = []
    steps = np.arange(0, length + 2 * headland, speed) - headland
    for run in range(len(plan) * per_strip):
        x = (run + 0.5) * width + rng.normal(0, 0.1, len(steps))
        y = steps if run % 2 == 0 else steps[::-1]
        strip = run // per_strip
        rate = np.where((y >= 0) & (y <= length), plan[strip], 0)
        value = yields(rate, x, y) + effect[strip] + smooth(rng, len(y), 10, noise) + 8 * np.sin(y / 40)
        mass = value * 56 * 0.45359237 / 4046.8564224 * speed * width * 84.5 / 82  # at 18 %
        late = np.r_[np.full(delay, mass[0]), mass[: len(mass) - delay]]
        records.append(pd.DataFrame({"x": x, "y": y, "flow": late, "run": run, "strip": strip}))
    log = pd.concat(records, ignore_index=True)
    lon, lat = degrees(log["x"], log["y"])
    log = pd.DataFrame({
        "Longitude": lon, "Latitude": lat, "Mass Flow (lb/s)": log["flow"] * LB_PER_KG, "Interval (s)": 1,
        "Distance (ft)": speed / 0.3048, "Swath Width (ft)": width / 0.3048, "Moisture (%)": 18.0,
        "x": log["x"], "y": log["y"],
    })  # fmt: skip
    return log, records_of(rng, plan, across, length, drift), polygons_of(strips, across, length), strips


def records_of(rng, plan, across, length, drift) -> pd.DataFrame:
    """An applicator as wide as a strip, a record each four metres, its rate drifting."""
    rows = []
    for i, rate in enumerate(plan):
        y = np.arange(2, length, 4.0)
        y = y if i % 2 == 0 else y[::-1]
        applied = rate * (1 + smooth(rng, len(y), 20, drift))
        rows.append(pd.DataFrame({"x": (i + 0.5) * across, "y": y, "Applied Rate (lb/ac)": applied}))
    table = pd.concat(rows, ignore_index=True)
    lon, lat = degrees(table.pop("x"), table.pop("y"))
    return table.assign(Longitude=lon, Latitude=lat)


def polygons_of(strips, across, length, **more) -> dict:
    """The strips as GeoJSON with their rates alone."""
    features = []
    for row in strips.itertuples():
        x = np.array([0, across, across, 0, 0]) + row.west
        lon, lat = degrees(x, np.array([0, 0, length, length, 0]))
        ring = np.column_stack([lon, lat]).tolist()
        own = {"N rate (lb/ac)": row.rate} | {k: getattr(row, v) for k, v in more.items()}
        features.append({"type": "Feature", "properties": own,
                         "geometry": {"type": "Polygon", "coordinates": [ring]}})  # fmt: skip
    return {"type": "FeatureCollection", "features": features}


def degrees(x, y):
    return AT[0] + np.asarray(x) / (DEGREE * np.cos(np.radians(AT[1]))), AT[1] + np.asarray(y) / DEGREE
