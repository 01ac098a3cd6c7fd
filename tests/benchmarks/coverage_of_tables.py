"""Print what the reference tables hold: rows, crops, and how much was read, derived or remembered.

Run: python tests/benchmarks/coverage_of_tables.py
"""

from importlib.resources import files

import pandas as pd

#: Families of tables; the texts on leaves are what is said of a result, without spellings and thresholds.
FAMILIES = {
    "ranges": ["ranges"], "removal": ["removal"], "uptake": ["uptake"], "timing": ["timing"],
    "soil tests": ["soil_tests"], "soil rates": ["soil_rates"], "products": ["products"],
    "norms of balance": ["dris_norms", "cnd_norms"], "dilution curves": ["dilution"],
    "texts on leaves": [f"tissue/{name}" for name in (
        "balance_notes", "causes", "evidence", "mobility", "options", "patterns", "stories")],
}  # fmt: skip
READ, DERIVED = ("found",), ("derived",)


def rows_of(family: str) -> pd.DataFrame:
    """All rows of a family: one CSV a publication, or one for all."""
    home, frames = files("fertkit.reference"), []
    for name in FAMILIES[family]:
        place = home / name
        tables = [f for f in place.iterdir() if f.name.endswith(".csv")] if place.is_dir() else []
        for table in tables or [home / f"{name}.csv"]:
            with table.open(encoding="utf-8") as handle:
                frames.append(pd.read_csv(handle, dtype=str, keep_default_na=False))
    return pd.concat(frames, ignore_index=True)


def coverage() -> pd.DataFrame:
    """One row a family: rows, crops, sources, shares [%] found, derived, from memory (the rest is mixed)."""
    out = []
    for family in FAMILIES:
        rows = rows_of(family)
        mark = rows["provenance"]
        crops = set(rows["crop"]) - {"", "any"} if "crop" in rows else set()
        share = {
            "found": mark.isin(READ), "derived": mark.isin(DERIVED), "from memory": mark == "from_memory",
        }  # fmt: skip
        row = {
            "family": family,
            "rows": len(rows),
            "crops": len(crops),
            "sources": rows["source_key"].nunique(),
        }
        out.append(row | {name: round(100 * held.mean(), 1) for name, held in share.items()})
    return pd.DataFrame(out).set_index("family")


if __name__ == "__main__":
    print(coverage().to_string())
