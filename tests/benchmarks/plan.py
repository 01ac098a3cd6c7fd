"""Time of a pass plan: farms of 10, 200 and 1,000 different fields, and farms of 200 one after the other.

python tests/benchmarks/plan.py [farms]      six products, five passes, loads of 24 tons
"""

import sys
import time

import numpy as np
import pandas as pd

from fertkit.budget.passes import plan_passes

PRODUCTS = pd.DataFrame(
    [
        ("urea", "dry", 46, 0, 0, 0, 0.30, 48000.0, np.nan),
        ("UAN 28", "liquid", 28, 0, 0, 0, 0.19, 46000.0, 10.67),
        ("monoammonium phosphate (MAP)", "dry", 11, 52, 0, 0, 0.40, 50000.0, np.nan),
        ("triple superphosphate (TSP)", "dry", 0, 46, 0, 0, 0.36, 50000.0, np.nan),
        ("potassium chloride 60", "dry", 0, 0, 60, 0, 0.24, 50000.0, np.nan),
        ("ammonium sulfate", "dry", 21, 0, 0, 24, 0.22, 48000.0, np.nan),
    ],
    columns=["product", "form", "n_pct", "p2o5_pct", "k2o_pct", "s_pct", "price_per_lb", "lot_lb",
             "density_lb_gal"],
)  # fmt: skip
PASSES = pd.DataFrame(
    [
        ("fall spread", "broadcast", 7.5, "fall", "fall", 3.0),
        ("spring spread", "broadcast", 8.0, "preplant", "preplant", 3.0),
        ("beside the seed", "band", 4.0, "planting", "planting", 2.0),
        ("sidedress", "sidedress", 11.0, "V5", "V8", 2.0),
        ("topdress", "topdress", 9.0, "V4", "V8", 2.0),
    ],
    columns=["pass", "method", "cost_per_ac", "earliest", "latest", "max_products"],
)  # fmt: skip


def targets(fields: int, seed: int) -> pd.DataFrame:
    """Fields of corn and soybean, each with needs of its own."""
    rng = np.random.default_rng(seed)
    corn = rng.random(fields) < 0.5
    needs = {
        "N": np.where(corn, rng.uniform(120, 200, fields), 0).round(),
        "P2O5": (rng.uniform(0, 100, fields) * (rng.random(fields) > 0.2)).round(),
        "K2O": (rng.uniform(0, 120, fields) * (rng.random(fields) > 0.2)).round(),
        "S": np.where(corn, rng.uniform(0, 20, fields), 0).round(),
    }
    base = pd.DataFrame(
        {"field": [f"field {i}" for i in range(fields)], "crop": np.where(corn, "corn", "soybean"),
         "area_ac": rng.uniform(20, 200, fields).round(1)}
    )  # fmt: skip
    return pd.concat(
        [base.assign(nutrient=n, rate_lb_ac=rate) for n, rate in needs.items()], ignore_index=True
    )


def show(name: str, seconds: float, plan) -> None:
    print(
        f"{name:28} {seconds:7.2f} s of processor   cost {plan.cost:12,.0f}   gap {plan.gap:.2%}", flush=True
    )


def main(farms: int) -> None:
    plan_passes(targets(2, 0), PRODUCTS, PASSES)  # modules and tables are loaded
    for fields in (10, 200, 1000):
        start = time.process_time()
        plan = plan_passes(targets(fields, fields), PRODUCTS, PASSES)
        show(f"{fields} fields", time.process_time() - start, plan)
    start = time.process_time()
    plan = plan_passes(targets(200, 200), PRODUCTS, PASSES, spending_limit=0.8 * plan_cost(200))
    show("200 fields, 80 % of the money", time.process_time() - start, plan)
    start = time.process_time()
    for seed in range(farms):
        plan = plan_passes(targets(200, 1000 + seed), PRODUCTS, PASSES)
    show(f"{farms} farms of 200", time.process_time() - start, plan)


def plan_cost(fields: int) -> float:
    return plan_passes(targets(fields, fields), PRODUCTS, PASSES).cost


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
