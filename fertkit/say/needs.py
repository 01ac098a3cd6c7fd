"""What a crop needs and what leaves with it, of one field and of a farm."""

from fertkit.budget.needs import OWN
from fertkit.budget.words import GOVERNS, keys, mark, parts, short
from fertkit.say.line import Kind, Line, lead, row, told


def budget_lines(budget) -> list[Line]:
    """Say what one field needs."""
    kept = ", residue kept" if budget.baled == 0 else f", {budget.baled:.0%} of the residue baled"
    kept = kept if budget.part == "grain" else ""
    said = [
        lead(f"{budget.crop} {budget.part}, {budget.yield_goal:g} {budget.yield_unit}{kept} [{budget.unit}]")
    ]
    spread = budget.spread.set_index("nutrient")
    for r in budget.defaults.itertuples():
        said.append(row(r.nutrient, f"{_amounts(r)}{mark(r.provenance)}{_span(spread, r.nutrient)}"))
    own = budget.rows[budget.rows["source_key"] == OWN]
    said += [row(r.nutrient, f"{short(r.removed)} leave by your own analysis") for r in own.itertuples()]
    return [*said, *_practice(budget), *map(told, budget.notes), told(GOVERNS)]


def _practice(budget):
    trade = budget.common_practice.to_dict("records")
    if trade and budget.pounds > 0:
        taken, left = (
            ", ".join(f"{short(r[name])} {r['nutrient']}" for r in trade if r[name] > 0)
            for name in ("uptake", "removed")
        )
        text = f"Common practice, no source: takes up {taken}; {left} leave."
        yield Line(Kind.PRACTICE, text)


def _amounts(r):
    if r.removed_source and r.removed_source == r.uptake_source:
        uptake, removed, stays = parts(r.uptake, r.removed)
        share = f"{r.share_removed:.0%}"
        return f"takes up {uptake} ({r.uptake_source}); {removed} leave ({share}), {stays} stay"
    up = f"takes up {short(r.uptake)} ({r.uptake_source})" if r.uptake_source else "uptake not published"
    off = (
        f"{short(r.removed)} leave ({r.removed_source})"
        if r.removed_source
        else "removal not published with it"
    )
    return f"{up}; {off}"


def _span(spread, nutrient):
    if nutrient not in spread.index:
        return ""
    s, said = spread.loc[nutrient], []
    for name, verb in (("uptake", "are taken up"), ("removed", "leave")):
        count = s[f"{name}_sources"]
        low, high = short(s[f"{name}_lowest"]), short(s[f"{name}_highest"])
        if count > 1:
            said.append(f"; by {count:.0f} sources {low if low == high else f'{low} to {high}'} {verb}")
    return "".join(said)


def farm_lines(farm) -> list[Line]:
    """Say what a whole farm needs."""
    fields = farm.rows.drop_duplicates("field")
    unit = farm.rows["field_unit"].iloc[0]
    n = len(fields)
    area = f"{fields['area'].sum():g} {farm.area_unit}"
    said = [lead(f"{n} field{'s' if n > 1 else ''}, {area} [{unit} on the whole farm]")]
    for r in farm.totals.itertuples():
        up, off = r.fields_with_uptake, r.fields_with_removed
        uptake, removed, stays = parts(r.uptake, r.removed)
        taken = f"takes up {uptake}{_of_fields(up, n)}" if up else "uptake not published"
        left = f"{removed} leave{_of_fields(off, n)}" if off else "removal not published"
        rest = f", {stays} stay" if up == off == n else ""
        said.append(row(r.nutrient, f"{taken}; {left}{rest}"))
    return [*said, *_sources(farm), told(GOVERNS)]


def _of_fields(some, fields):
    return "" if some == fields else f" on {some} of {fields} fields, not published for the others"


def _sources(farm):
    """One line a crop: where its numbers come from, and which of them are from memory."""
    for crop, rows in farm.rows.groupby("crop", sort=False):
        memory = rows.loc[rows["provenance"].map(mark) != "", "nutrient"].unique()
        marked = f"; {', '.join(memory)} [from memory]" if len(memory) else ""
        yield told(f"{keys(rows['uptake_source'], rows['removed_source'])}{marked}", crop)
