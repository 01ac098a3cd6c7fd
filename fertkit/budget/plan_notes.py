"""What the rows of a season plan contradict, leave unsaid or say of things that no table here holds."""

import numpy as np

from fertkit.budget.credits import AMOUNT_OF, AMOUNTS, OWN, is_given
from fertkit.budget.policy import word_of
from fertkit.budget.targets import PLACE, crops_before, is_legume
from fertkit.budget.yields import base_of
from fertkit.intake.spellings import listed
from fertkit.reference.crops import is_known
from fertkit.reference.load import load_table

#: How far apart areas of one field in two years may lie and count as one.
SAME_AREA = 0.005
#: What a cell may hold that names no crop and no manure.
NOTHING = ("", "no", "none", "-", "fallow")
#: Policies whose rates a credit does not change, or that the plan tells of elsewhere.
CREDITLESS = ("none", "fixed", "trial")
_MOST = 6  # places named in one note


def first(years) -> int:
    """Return the position of the season to plan: the earliest year; of years in words the first written."""
    return int(np.argmin(years.to_numpy())) if all(isinstance(year, int) for year in years) else 0


def of_rows(rows):
    """Say which fields the season leaves out, and where the rows of a field contradict each other."""
    year = rows["year"].iloc[first(rows["year"])]
    places, absent, sizes, before, filled, strange, unspread = {}, [], [], [], [], [], []
    for row, last in zip(rows.to_dict("records"), crops_before(rows), strict=True):
        places.setdefault((row["field"], row["zone"]), []).append(row | {"last": last})
    for place, own in places.items():
        name = " ".join(filter(None, place))
        grown, areas = {row["year"]: row["crop"] for row in own}, [row["area_ac"] for row in own]
        if year not in grown:
            absent.append(name)
        if max(areas) > min(areas) * (1 + SAME_AREA):
            sizes.append(name)
        for row in own:
            now, stated, last = row["year"], word_of(row.get("previous_crop", "")), row["last"]
            where, past = f"{name} {now}".strip(), grown.get(now - 1) if isinstance(now, int) else None
            if last and not stated:
                filled.append(f"{where} ({last})")
            elif last and not is_known(last) and last.casefold() not in NOTHING:
                strange.append(f"{where} ({stated})")
            elif past and stated and is_known(last) and base_of(last) != base_of(past):
                before.append(f"{where} ({stated}; the row of {now - 1} grows {past})")
            spread = word_of(row.get("manure", "")).lower() not in NOTHING
            if spread and not _measure(row):
                unspread.append(name)
    if unspread:
        where = ", ".join(dict.fromkeys(unspread))
        yield f"manure without a rate is not counted: {where}; give the manure rate [ton/ac]"
    if absent:
        yield f"no row for season {year}, so not planned: {', '.join(absent)}"
    if sizes:
        yield f"the area differs between years and is used as written: {', '.join(sizes)}"
    if before:
        yield f"previous crops contradicted by another row, used as written: {', '.join(before)}"
    if filled:
        yield f"previous crop not stated, taken from the row of the year before: {listed(filled, _MOST)}"
    if strange:
        yield f"previous crop unknown here, so nothing is credited for it: {listed(strange, _MOST)}; {_ENTER}"


_ENTER = "give its nitrogen as a credit, by your state or provincial guide"


def _measure(row):
    """By what the manure of a row is measured, a ton or 1,000 gal; '' where no rate is given."""
    return next((AMOUNTS[of][0] for amount, of in AMOUNT_OF.items() if is_given(row.get(amount))), "")


def of_manure(rows, stated):
    """Say where manure is spread of which nobody here knows what it holds of a nutrient."""
    of = stated.loc[stated["kind"] == "manure", [*PLACE, "nutrient"]]
    known = set(of.itertuples(index=False, name=None))
    lacks = {}
    for row in rows.to_dict("records"):
        held = [n for n in OWN if (row["field"], row["zone"], row["year"], n) in known]
        if (measure := _measure(row)) and len(held) < len(OWN):
            name = " ".join(filter(None, (row["field"], row["zone"])))
            lacks.setdefault((measure, *(n for n in OWN if n not in held)), {})[name] = None
    for (measure, *lacking), names in lacks.items():
        what = f"{' and '.join(lacking)} of the manure counted nowhere, as its content is not known"
        yield f"{what}: {listed(list(names), _MOST)}; give its analysis [lb/{measure}]"


def of_passes(driven, costs, crops):
    """Say which passes no crop of the season can use, and why; and which may bring next to nothing."""
    unused = driven.unused
    whole = unused[unused["product"] == ""]
    for name, rows in whole.groupby("pass", sort=False):
        if crops <= set(rows["crop"]):
            yield f"no crop of the season can use the pass '{name}' ({', '.join(dict.fromkeys(rows['why']))})"
    used = dict.fromkeys(driven.applications["pass"])
    free = [f"'{name}'" for name in used if costs[name] == 0]
    if free and len(used) > 1:  # each field needs one pass; what more of them bring may be little
        where = listed(free, _MOST)
        yield f"amounts may be too small to spread where a pass costs nothing: {where}; enter its cost"


def of_legumes(rows, targets, region):
    """Say after which legumes nitrogen is planned without a credit, and whether a region would give one."""
    credited = set(targets.credits.loc[targets.credits["kind"] == "legume", "at"])
    table = targets.table[(targets.table["nutrient"] == "N") & (targets.table["rate_lb_ac"] > 0)]
    before, after = crops_before(rows), {}
    for row in table[~table["policy"].isin(CREDITLESS)].to_dict("records"):
        crop = before[row["at"]]
        if row["at"] not in credited and crop and is_legume(crop):
            name = " ".join(filter(None, (row["field"], row["zone"], str(row["year"]))))
            after.setdefault(crop, []).append(name)
    for crop, names in after.items():
        somewhere = not region and crop in set(load_table("legume_credits")["previous_crop"])
        what = "is taken without a region" if somewhere else "is published here"
        remedy = f"name the region, or {_ENTER}" if somewhere else _ENTER
        yield f"no nitrogen credit for {crop} before {what}: {listed(names, _MOST)}; {remedy}"
