"""Make the demo files of this folder again: ``python datasets_demo/simulate.py``.

Everything here is simulated. The growers' group, its fields and its samples are invented; the yields follow
response curves chosen for teaching, with block effects and noise from one fixed seed.
"""

from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
SEED = 20260
#: Of the workshop: chosen so that the lots look drawn and the optimum's interval has two ends (README.md).
WORKSHOP_SEED = SEED + 7
PLAN_SEED = SEED + 11
HISTORY_SEED = SEED + 8
SHAPES_SEED = SEED + 12
STRIP_WIDTH_FT, STRIP_LENGTH_FT = 30, 1200


#: What each trial is made of: yield without the nutrient [bu/ac], slope there [bu/lb] and join [lb/ac]. This
#: script does not write it; the workshops show it when everybody has made a guess.
TRUTH = pd.read_csv(HERE / "simulated_truth.csv", index_col="trial").astype(float)


def true_yield(trial, rate):
    """Yield that a trial is made of [bu/ac]."""
    return quadratic_plateau(rate, *TRUTH.loc[trial, ["yield_without", "slope", "join"]].tolist())


def quadratic_plateau(rate, check, slope, join):
    """Yield of a quadratic that turns flat at the join [bu/ac]; the same everywhere without a slope."""
    rate = np.minimum(rate, join)
    return check + slope * rate - (slope / (2 * join) * rate**2 if slope else 0.0)


def strips(rng, trial, rates, block_sd, noise_sd, moisture):
    """Simulate one randomised complete block trial of strips, one row a strip in field order."""
    rows = []
    for block in range(1, 5):
        effect = rng.normal(0, block_sd)
        for rate in rng.permutation(rates):
            wet = rng.normal(moisture, 0.35)
            standard = true_yield(trial, rate) + effect + rng.normal(0, noise_sd)
            rows.append((trial, block, len(rows) + 1, rate, standard, wet))
    return pd.DataFrame(rows, columns=["trial", "block", "strip", "rate", "standard", "moisture"])


def strip_file(table, rate_header, trade_moisture):
    """Dress simulated strips as the sheet a combine driver would hand over: yields as harvested."""
    harvested = table["standard"] * (100 - trade_moisture) / (100 - table["moisture"])
    return pd.DataFrame(
        {
            "Trial": table["trial"],
            "Block": table["block"],
            "Strip": table["strip"],
            rate_header: table["rate"],
            "Yield (bu/ac)": harvested.round(1),
            "Moisture (%)": table["moisture"].round(1),
            "Width (ft)": STRIP_WIDTH_FT,
            "Length (ft)": STRIP_LENGTH_FT,
        }
    )


# sample: (crop, stage, part, area), macronutrients N P K Ca Mg S [%], micronutrients Fe Mn Zn Cu B [mg/kg]
LEAF_CENTRES = {
    "Heron Quarter poor": (
        ("soybean", "R2", "upper trifoliate leaf", "poor"),
        (4.9, 0.50, 1.28, 1.25, 0.52, 0.30, 105, 62, 38, 9.5, 41),
    ),
    "Heron Quarter good": (
        ("soybean", "R2", "upper trifoliate leaf", "good"),
        (5.0, 0.51, 2.16, 1.10, 0.40, 0.31, 98, 58, 37, 10.1, 42),
    ),
    "Otter Bottom": (
        ("soybean", "R2", "upper trifoliate leaf", ""),
        (5.1, 0.52, 2.28, 1.08, 0.41, 0.31, 110, 55, 33, 9.8, 44),
    ),
    "Mill Bend": (
        ("corn", "R1", "ear leaf", ""),
        (2.45, 0.33, 2.10, 0.52, 0.24, 0.19, 95, 48, 27, 9.0, 9),
    ),
    "Long Lane": (
        ("corn", "R1", "ear leaf", ""),
        (3.05, 0.34, 2.05, 0.50, 0.23, 0.21, 102, 52, 17, 8.6, 10),
    ),
}
NUTRIENTS = ["N", "P", "K", "Ca", "Mg", "S", "Fe", "Mn", "Zn", "Cu", "B"]
DECIMALS = dict.fromkeys(NUTRIENTS[:6], 2) | dict.fromkeys(NUTRIENTS[6:9], 0) | {"Cu": 1, "B": 0}


def leaf_file(rng, samples):
    """Simulate a wide laboratory file: one row a sample, unit in each header."""
    rows = []
    for number, (sample, (about, centres)) in enumerate(samples.items(), start=1):
        values = [
            f"{c * rng.normal(1, 0.02):.{DECIMALS[n]}f}" for n, c in zip(NUTRIENTS, centres, strict=True)
        ]
        rows.append((f"007{number}", sample, *about, "2026-07-21", *values))
    headers = [f"{n} (%)" if n in NUTRIENTS[:6] else f"{n} (ppm)" for n in NUTRIENTS]
    names = ["Lab no", "Sample", "Crop", "Stage", "Plant part", "Area", "Sampled"]
    return pd.DataFrame(rows, columns=names + headers)


# Samples of the workshop: sulfur short at the poor end of one field, nothing short on the other.
WORKSHOP_CENTRES = {
    "Ferry Flat poor": (
        ("corn", "R1", "ear leaf", "poor"),
        (2.95, 0.34, 2.05, 0.50, 0.24, 0.118, 99, 50, 28, 8.8, 10),
    ),
    "Ferry Flat good": (
        ("corn", "R1", "ear leaf", "good"),
        (3.02, 0.32, 2.08, 0.49, 0.23, 0.205, 101, 52, 29, 9.0, 10),
    ),
    "Bramble Rise": (
        ("corn", "R1", "ear leaf", ""),
        (3.08, 0.33, 2.11, 0.51, 0.24, 0.215, 104, 54, 31, 9.1, 11),
    ),
}


def messy_leaf_file(table):
    """Write the same results as a harder file: notes around, a unit row, decimal commas, flags, limits."""
    text = table.astype(object)
    for name in text.columns[7:]:
        text[name] = text[name].str.replace(".", ",")
    text.loc[0, "K (%)"] += " L"
    text.loc[3, "Zn (ppm)"] = "ND"
    text.loc[4, "B (ppm)"] = "<12"
    text.loc[2, "Cu (ppm)"] = ""
    head = [c.split(" (")[0] for c in text.columns]
    units = ["" if "(" not in c else c.split("(")[1].rstrip(")") for c in text.columns]
    lines = [
        "Results of plant analysis;simulated for teaching",
        "Season;2026",
        "",
        ";".join(head),
        ";".join(units),
    ]
    lines += [";".join(row) for row in text.to_numpy()]
    lines += ["", "L = below the laboratory's own range; ND = not detected", "Results on a dry basis"]
    return "\n".join(lines) + "\n"


# Three seasons of two fields: potassium is short at the poor end of one in every crop; the other is even.
# (year, laboratory, unit) -> (field, area, date, crop, stage, part, treatment, block, K)
HISTORY = {
    (2024, "Laboratory A", "%"): [
        ("Heron Quarter", "poor", "2024-07-22", "soybean", "R2", "upper trifoliate leaf", "", "", 1.41),
        ("Heron Quarter", "good", "2024-07-22", "soybean", "R2", "upper trifoliate leaf", "", "", 2.21),
        ("Mill Bend", "", "2024-06-12", "corn", "V5", "whole plant", "", "", 3.10),
        ("Mill Bend", "", "2024-07-20", "corn", "R1", "ear leaf", "", "", 2.12),
    ],
    (2025, "Laboratory B", "g/kg"): [
        ("Heron Qtr", "poor", "2025-06-10", "corn", "V5", "whole plant", "", "", 1.55),
        ("Heron Qtr", "good", "2025-06-10", "corn", "V5", "whole plant", "", "", 3.25),
        ("Heron Qtr", "poor", "2025-07-18", "corn", "R1", "ear leaf", "", "", 1.00),
        ("Heron Qtr", "good", "2025-07-18", "corn", "R1", "ear leaf", "", "", 2.05),
        ("Mill Bend", "", "2025-07-21", "soybean", "R2", "upper trifoliate leaf", "", "", 2.20),
    ],
    (2026, "Laboratory B", "%"): [
        ("Heron Quarter", "poor", "2026-07-06", "soybean", "R1", "upper trifoliate leaf", "", "", 1.50),
        ("Heron Quarter", "good", "2026-07-06", "soybean", "R1", "upper trifoliate leaf", "", "", 2.60),
        ("Heron Quarter", "poor", "2026-07-21", "soybean", "R2", "upper trifoliate leaf", "", "", 1.30),
        ("Heron Quarter", "good", "2026-07-21", "soybean", "R2", "upper trifoliate leaf", "", "", 2.16),
        *(("Heron Quarter", "", "2026-07-24", "soybean", "R2", "upper trifoliate leaf", name, block, k)
          for block in range(1, 5) for name, k in (("no potash", 1.38), ("120 lb K2O/ac", 1.98))),
        ("Mill Bend", "", "2026-06-15", "corn", "V5", "whole plant", "", "", 3.05),
        ("Mill Bend", "", "2026-07-22", "corn", "R1", "ear leaf", "", "", 2.08),
    ],
}  # fmt: skip
#: What else such a sample holds, by crop and stage: N P Ca Mg S [%], Mn Zn B [mg/kg].
HISTORY_CENTRES = {
    ("soybean", "R1"): (5.1, 0.45, 1.10, 0.42, 0.31, 60, 38, 42),
    ("soybean", "R2"): (5.0, 0.50, 1.15, 0.43, 0.31, 58, 37, 42),
    ("corn", "V5"): (4.0, 0.56, 0.55, 0.28, 0.26, 70, 38, 12),
    ("corn", "R1"): (3.0, 0.33, 0.52, 0.24, 0.21, 50, 28, 10),
}


def history_file(rng, laboratory, unit, rows):
    """Simulate the report of one season: field, date, crop, stage, part, treatment and results."""
    names = ["N", "P", "Ca", "Mg", "S", "Mn", "Zn", "B"]
    table = []
    for number, (field, area, date, crop, stage, part, treatment, block, k) in enumerate(rows, start=1):
        centres = dict(zip(names, HISTORY_CENTRES[crop, stage], strict=True)) | {"K": k}
        noisy = {n: centres[n] * rng.normal(1, 0.02) for n in ("N", "P", "K", *names[2:])}
        times = 10 if unit == "g/kg" else 1
        shown = {f"{n} ({unit})": round(noisy[n] * times, 2) for n in ("N", "P", "K", "Ca", "Mg", "S")}
        shown |= {f"{n} (ppm)": round(noisy[n]) for n in ("Mn", "Zn", "B")}
        about = {"Laboratory": laboratory, "Sample": number, "Field": field, "Area": area, "Sampled": date}
        about |= {"Crop": crop, "Stage": stage, "Plant part": part, "Treatment": treatment, "Block": block}
        table.append(about | shown)
    return pd.DataFrame(table)


#: Corn ear leaves at R1 for norms of one's own: centres [% and mg/kg] of places on the group's land.
NORM_CENTRES = {"N": 3.0, "P": 0.32, "K": 2.1, "Ca": 0.5, "Mg": 0.24, "S": 0.21, "Zn": 28.0}


def norms_file(rng, n=30):
    """Simulate leaves with yields: the further the nutrients stand from each other, the lower the yield."""
    rows = []
    for number in range(1, n + 1):
        apart = rng.choice([0.04, 0.16])
        logs = {nutrient: rng.normal(0, apart) for nutrient in NORM_CENTRES}
        lost = 160 * sum(max(0.0, -log) for log in logs.values())
        shown = {nutrient: centre * np.exp(logs[nutrient]) for nutrient, centre in NORM_CENTRES.items()}
        values = {
            f"{k} (ppm)" if k == "Zn" else f"{k} (%)": round(v, 0 if k == "Zn" else 2)
            for k, v in shown.items()
        }
        rows.append({"Sample": f"Place {number:02}", "Crop": "corn", "Stage": "R1", "Plant part": "ear leaf",
                     "Yield (bu/ac)": round(228 - lost + rng.normal(0, 4)), **values})  # fmt: skip
    return pd.DataFrame(rows)


#: Whole corn shoots of Mill Bend with their dry matter: place, biomass [t/ha], nitrogen [%].
BIOMASS = pd.DataFrame(
    [("Mill Bend low end", 2.1, 2.31), ("Mill Bend ridge", 3.4, 2.62), ("Mill Bend east", 4.0, 2.02)],
    columns=["Sample", "Biomass (t/ha)", "N (%)"],
)


FIELDS = pd.DataFrame(
    [
        ("Heron Quarter", "soybean", 62, 60, "kept"),
        ("Otter Bottom", "soybean", 41, 65, "kept"),
        ("Mill Bend", "corn", 88, 210, "kept"),
        ("Long Lane", "corn", 55, 190, "0.5"),
        ("Chapel Rise", "wheat", 37, 80, "1"),
    ],
    columns=["field", "crop", "area_ac", "yield_goal_bu_ac", "residue"],
)


# Field, zone: area [ac]; newest tests of P, K, S, Zn [ppm], pH, buffer pH, OM [%], CEC; yearly drift of K.
PLAN_SOILS = {
    ("Heron Quarter", "west"): (38, (24, 96, 9, 1.9, 6.3, 6.7, 2.8, 14.5), -5.0),
    ("Heron Quarter", "east"): (24, (31, 148, 10, 2.3, 6.5, 6.9, 3.1, 15.2), -3.0),
    ("Otter Bottom", ""): (41, (38, 182, 11, 2.6, 6.8, 7.0, 3.9, 19.0), -1.0),
    ("Mill Bend", "ridge"): (52, (14, 118, 7, 0.9, 6.1, 6.6, 2.2, 11.8), 0.0),
    ("Mill Bend", "bottom"): (36, (27, 164, 9, 1.6, 6.7, 6.9, 3.4, 17.3), 0.0),
    ("Long Lane", ""): (55, (18, 109, 8, 0.6, 7.2, 7.1, 2.5, 13.1), -4.0),
    ("Chapel Rise", ""): (37, (33, 121, 8, 1.4, 6.6, 6.9, 2.7, 12.6), -3.0),
    ("Ferry Flat", ""): (64, (22, 133, 5, 1.1, 6.4, 6.8, 2.0, 9.7), 0.0),
    ("Bramble Rise", ""): (48, (46, 205, 12, 3.1, 6.9, 7.0, 4.2, 20.4), 1.0),
    ("Plover Eighty", ""): (80, (17, 141, 8, 1.2, 6.2, 6.7, 3.0, 16.1), 0.0),
    ("Sedge Corner", ""): (29, (62, 236, 13, 4.4, 6.6, 6.9, 4.6, 18.2), 2.0),
}  # fmt: skip
#: Field, zone: crop and yield goal [bu/ac] of both years; Wren Piece is newly rented and has no test.
PLAN_CROPS = {
    ("Heron Quarter", "west"): (("corn", 195), ("soybean", 60)),
    ("Heron Quarter", "east"): (("corn", 205), ("soybean", 64)),
    ("Otter Bottom", ""): (("corn", 215), ("soybean", 66)),
    ("Mill Bend", "ridge"): (("soybean", 54), ("corn", 190)),
    ("Mill Bend", "bottom"): (("soybean", 65), ("corn", 215)),
    ("Long Lane", ""): (("soybean", 58), ("corn", 195)),
    ("Chapel Rise", ""): (("corn", 195), ("soybean", 58)),
    ("Ferry Flat", ""): (("soybean", 55), ("wheat", 80)),
    ("Bramble Rise", ""): (("soybean", 62), ("wheat", 85)),
    ("Plover Eighty", ""): (("corn", 200), ("soybean", 60)),
    ("Sedge Corner", ""): (("corn", 210), ("corn", 205)),
    ("Wren Piece", ""): (("soybean", 52), ("corn", 180)),
}
BEFORE = {
    "Heron Quarter": "soybean",
    "Otter Bottom": "soybean",
    "Chapel Rise": "wheat",
    "Plover Eighty": "soybean",
}
YEARS = (2027, 2028)

PLAN_SHED = """Product,N (%),P2O5 (%),K2O (%),Zn (%),Form,Density (lb/gal),Price,On hand,Lot,Seed row (gal/ac)
urea,,,,,,,$560/ton,,24 ton,
UAN 28,,,,,,,$330/ton,,,
MAP,,,,,,,$780/ton,12 ton,24 ton,
TSP 0-46-0,,,,,,,$690/ton,,24 ton,
Potash 0-0-60,,,,,,,$450/ton,,24 ton,
AMS,,,,,,,$410/ton,,1 ton tote,
10-34-0,,,,,,,$3.40/gal,,,
Row starter 7-21-7,7,21,7,1,liquid,11.1,$4.15/gal,,275 gal tote,5
zinc sulfate monohydrate,,,,,,,$0.92/lb,,bag of 50 lb,
"""

PLAN_PASSES = """Pass,Method,Cost ($/ac),Earliest,Latest,Max products,Crop,Nutrients,Note
fall spreading,broadcast,7.50,fall,fall,3,,P2O5;K2O;S;Zn,after harvest
spring spreading,broadcast,7.50,preplant,preplant,3,,,before planting
planter band,band,2.00,planting,planting,2,corn,,two inches beside and below the seed
seed row,seed row,1.50,planting,planting,1,corn,,in the furrow; never salt with soybean seed
sidedress,sidedress,12.00,V4,V8,2,corn,N;S,between the rows
topdress,topdress,9.00,Feekes 4,Feekes 6,2,wheat,N;S,streamed on
"""


def plan_fields():
    """Make the fields and zones of the plan: two years, one row a field, zone and year."""
    rows = []
    for (field, zone), crops in PLAN_CROPS.items():
        area = PLAN_SOILS[field, zone][0] if (field, zone) in PLAN_SOILS else 33
        previous = BEFORE.get(field, "corn")
        for year, (crop, goal) in zip(YEARS, crops, strict=True):
            spread = (field, year) == ("Sedge Corner", 2027)
            manure = ("own dairy slurry", 6, 9.0, 4.0, 7.5) if spread else ("",) * 5
            residue = "0.5" if (field, crop) == ("Long Lane", "corn") else "1" if crop == "wheat" else "kept"
            rows.append((field, zone, year, crop, area, goal, residue, previous, *manure))
            previous = crop
    return pd.DataFrame(rows, columns=PLAN_FIELDS)


PLAN_FIELDS = [
    "field", "zone", "year", "crop", "area_ac", "yield_goal_bu_ac", "residue", "previous_crop", "manure",
    "manure_ton_ac", "manure_n_lb_ton", "manure_p2o5_lb_ton", "manure_k2o_lb_ton",
]  # fmt: skip


def rating(value, low, high):
    """Rate a test as laboratories do: L, M or H."""
    return "L" if value < low else "M" if value < high else "H"


SOIL_HEAD = """Soil test report,invented and simulated for teaching
Client: Kestrel Fork Growers' Circle

"""


def soil_file(rng):
    """Simulate a laboratory's file: three points a zone in two falls, titles above, ratings, saturations."""
    rows = []
    for fall in (2022, 2026):
        for (field, zone), (_, soil, drift) in PLAN_SOILS.items():
            for point in (1, 2, 3):
                p, k, s, zn, om, cec = np.array(soil)[[0, 1, 2, 3, 6, 7]] * rng.normal(1, SPREAD)
                k += drift * (fall - 2026)
                about = (4101 + len(rows), field, zone, point, f"{fall}-10-{14 + rng.integers(0, 6)}", "0-8")
                acidity = (
                    f"{soil[4] + rng.normal(0, 0.08):.1f}",
                    f"{soil[5]:.1f}",
                    f"{om:.1f}",
                    f"{cec:.1f}",
                )
                rated = (f"{p:.0f}", rating(p, 20, 40), f"{k:.0f}", rating(k, 120, 170))
                rows.append((*about, *acidity, *rated, f"{s:.0f}", f"{zn:.1f}", f"{k / 391 / cec * 100:.1f}"))
    return SOIL_HEAD + pd.DataFrame(rows, columns=SOIL_COLUMNS).to_csv(index=False)


#: Spread of P, K, S, Zn, organic matter and CEC between the points of a zone.
SPREAD = (0.12, 0.08, 0.1, 0.1, 0.04, 0.03)
SOIL_COLUMNS = [
    "Lab no", "Field", "Zone", "Point", "Sampled", "Depth (in)", "pH", "Buffer pH", "OM (%)",
    "CEC (meq/100 g)", "P Mehlich-3 (ppm)", "P rating", "K Mehlich-3 (ppm)", "K rating", "S Mehlich-3 (ppm)",
    "Zn Mehlich-3 (ppm)", "K base saturation (%)",
]  # fmt: skip


def plan(rng):
    """Write the fields, soil tests, shed and passes of the season's plan."""
    plan_fields().to_csv(HERE / "plan_fields.csv", index=False)
    (HERE / "plan_soil.csv").write_text(soil_file(rng), encoding="utf-8")
    (HERE / "plan_shed.csv").write_text(PLAN_SHED, encoding="utf-8")
    (HERE / "plan_passes.csv").write_text(PLAN_PASSES, encoding="utf-8")


def main():
    """Write every file of the folder."""
    rng = np.random.default_rng(SEED)
    soybean = strips(rng, "Heron Quarter K", [0, 40, 80, 120, 160, 200], 1.2, 1.1, 11.8)
    corn = strips(rng, "Mill Bend N", [0, 50, 100, 150, 200, 250], 4.0, 5.0, 18.5)
    leaves = leaf_file(rng, LEAF_CENTRES)
    strip_file(soybean, "K2O rate (lb/ac)", 13.0).to_csv(HERE / "soybean_k_strips.csv", index=False)
    strip_file(corn, "N rate (lb/ac)", 15.5).to_csv(HERE / "corn_n_strips.csv", index=False)
    leaves.to_csv(HERE / "leaf_tests.csv", index=False)
    (HERE / "leaf_tests_messy.csv").write_text(messy_leaf_file(leaves), encoding="cp1252")
    FIELDS.to_csv(HERE / "fields.csv", index=False)
    workshop(np.random.default_rng(WORKSHOP_SEED))
    plan(np.random.default_rng(PLAN_SEED))
    history(np.random.default_rng(HISTORY_SEED))
    for number, shape in enumerate((tillage, two_nutrients, products, sites, combine)):
        shape(np.random.default_rng(SHAPES_SEED + number))


def history(rng):
    """Write leaves with yields, shoots with their dry matter, and three seasons of reports, a file each."""
    folder = HERE / "leaf_history"
    folder.mkdir(exist_ok=True)
    for (year, laboratory, unit), rows in HISTORY.items():
        history_file(rng, laboratory, unit, rows).to_csv(folder / f"{year}.csv", index=False)
    norms_file(rng).to_csv(HERE / "leaf_yields.csv", index=False)
    shoots = BIOMASS.assign(Crop="corn", Stage="V10", **{"Plant part": "whole plant"})
    shoots.to_csv(HERE / "leaf_biomass.csv", index=False)


def workshop(rng):
    """Write the workshop's own leaf tests and strips: one field that answers to sulfur, one that does not."""
    sulfur = [0, 8, 16, 24, 32]
    answers = strips(rng, "Ferry Flat S", sulfur, 3.0, 2.6, 17.8)
    does_not = strips(rng, "Bramble Rise S", sulfur, 3.0, 2.6, 17.2)
    both = pd.concat([answers, does_not], ignore_index=True)
    strip_file(both, "S rate (lb/ac)", 15.5).to_csv(HERE / "workshop_strips.csv", index=False)
    leaf_file(rng, WORKSHOP_CENTRES).to_csv(HERE / "workshop_leaf_tests.csv", index=False)


def tillage(rng):
    """Write a trial of tillage on whole strips with rates of N in their parts: no-till asks for more."""
    joins, rows = {"no-till": 190.0, "strip-till": 135.0}, []
    for block in range(1, 5):
        for system in rng.permutation(list(joins)):
            level = rng.normal(0, 3.0)
            for rate in rng.permutation([0, 50, 100, 150, 200, 250]):
                grown = quadratic_plateau(rate, 118.0 if system == "no-till" else 131.0, 0.95, joins[system])
                rows.append((block, system, rate, round(grown + level + rng.normal(0, 2.5), 1)))
    headers = ["Block", "Tillage", "N rate (lb/ac)", "Yield (bu/ac)"]
    pd.DataFrame(rows, columns=headers).to_csv(HERE / "tillage_n_strips.csv", index=False)


def two_nutrients(rng):
    """Write a trial of nitrogen by phosphate, each rate with each: each does more beside the other."""
    rows = []
    for block in range(1, 4):
        level = rng.normal(0, 3.0)
        for n, p in rng.permutation([(n, p) for n in (0, 60, 120, 180) for p in (0, 30, 60, 90)]):
            grown = 96 + 0.62 * n - 0.0021 * n**2 + 0.52 * p - 0.0042 * p**2 + 0.0011 * n * p
            rows.append((block, n, p, round(grown + level + rng.normal(0, 3.0), 1)))
    headers = ["Block", "N rate (lb/ac)", "P2O5 rate (lb/ac)", "Yield (bu/ac)"]
    pd.DataFrame(rows, columns=headers).to_csv(HERE / "np_strips.csv", index=False)


#: Treatments of the trial without rates: what each adds to the yield [bu/ac].
PRODUCTS = {"untreated check": 0.0, "foliar boron": 0.4, "fungicide at R3": 4.1, "seed inoculant": 1.2}


def products(rng):
    """Write a trial of products against a check."""
    rows = []
    for block in range(1, 7):
        level = rng.normal(0, 1.5)
        rows += [(block, name, round(54 + PRODUCTS[name] + level + rng.normal(0, 1.3), 1))
                 for name in rng.permutation(list(PRODUCTS))]  # fmt: skip
    headers = ["Block", "Treatment", "Yield (bu/ac)"]
    pd.DataFrame(rows, columns=headers).to_csv(HERE / "product_strips.csv", index=False)


#: Nitrate in the soil before planting [lb N/ac].
SITES = {
    "Heron Quarter": 41, "Otter Bottom": 62, "Mill Bend": 35, "Long Lane": 28, "Chapel Rise": 50,
    "Ferry Flat": 22, "Bramble Rise": 70, "Plover Eighty": 33,
}  # fmt: skip


def sites(rng):
    """Write trials of N on eight fields: where the soil holds little nitrate, more is needed."""
    rows = []
    for site, nitrate in SITES.items():
        join = 205 - 1.1 * nitrate + rng.normal(0, 9)
        check, slope = 112 + 0.5 * nitrate + rng.normal(0, 8), 0.95 + rng.normal(0, 0.06)
        for block in (1, 2, 3):
            level = rng.normal(0, 3.0)
            for rate in rng.permutation([0, 50, 100, 150, 200, 250]):
                grown = quadratic_plateau(rate, check, slope, join) + level + rng.normal(0, 3.5)
                rows.append((site, nitrate, block, rate, round(grown, 1)))
    headers = ["Site", "Soil nitrate (lb/ac)", "Block", "N rate (lb/ac)", "Yield (bu/ac)"]
    pd.DataFrame(rows, columns=headers).to_csv(HERE / "network_strips.csv", index=False)


def combine(rng):
    """Write a combine's log and the map of what was applied, both as points; the sandy end needs more."""
    rates, width, step, delay = [0, 60, 120, 180], 9.0, 4.0, 3
    logs, maps, clock = [], [], 0
    order = np.concatenate([rng.permutation(rates) for _ in range(4)])
    for strip, rate in enumerate(order):
        along = np.arange(0, 300, step)[:: 1 if strip % 2 == 0 else -1]
        east, sandy = strip * width, along >= 150
        grown = np.where(sandy, quadratic_plateau(rate, 108.0, 0.9, 175.0),
                         quadratic_plateau(rate, 140.0, 0.9, 95.0))  # fmt: skip
        grown = grown + 9 * np.sin(along / 22) + rng.normal(0, 2.5) + rng.normal(0, 2.5, len(along))
        late = np.concatenate([np.full(delay, grown[0] * 0.6), grown[:-delay]])
        places = {"Longitude": round(-93.1 + east / 82_850, 7), "Latitude": (42 + along / 111_070).round(7)}
        seconds = clock + 2 * np.arange(len(along))
        clock = seconds[-1] + 40
        soil = np.where(sandy, "sandy", "loam")
        logs.append(pd.DataFrame(places | {
            "Time (s)": seconds, "Distance (m)": step, "Swath (m)": width, "Soil": soil,
            "Moisture (%)": (17 + rng.normal(0, 0.3, len(along))).round(1),
            "Yield (bu/ac)": (late * 84.5 / 83.0).round(1),
        }))  # fmt: skip
        maps.append(pd.DataFrame(places | {"N rate (lb/ac)": rate})[::2])
    pd.concat(logs).to_csv(HERE / "combine_log.csv", index=False)
    pd.concat(maps).to_csv(HERE / "applied_map.csv", index=False)


if __name__ == "__main__":
    main()
