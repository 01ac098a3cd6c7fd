"""What soil tests ask for, which products give it, and what carries over."""

from fertkit.say.line import GOVERNS, Line, detail, keys, lead, told

# ---- rates by soil test, products and blends


_PER = {"lb/ac": "lb {} per acre", "kg/ha": "kg {} per hectare"}


def soil_rate_lines(rate) -> list[Line]:
    """Say the rate of one system, with its equation."""
    memory = rate.table.loc[rate.table["provenance"].isin(["from_memory", "mixed"]), "term"]
    amount = f"{rate.rate:.0f} {_PER[rate.unit].format(rate.nutrient)}"
    old = " (superseded)" if rate.status == "superseded" else ""
    said = [
        lead(f"{rate.title}{old}, {rate.crop}: {amount} and year, {rate.zone}"),
        detail(f"{rate.equation}{'' if rate.unit == rate.equation_unit else f' {rate.equation_unit}'}"),
        detail(keys(rate.table["source_key"]), "numbers of the equation"),
    ]
    said += [detail(", ".join(memory), "from memory, check before use")] if len(memory) else []
    said += [detail(rate.note, "note")] if rate.note else []
    return [*said, told(GOVERNS)]
