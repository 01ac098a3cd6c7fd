"""What the rows of a season plan contradict, leave unsaid or say of things that no table here holds.

A finding is its kind and what it is about; `fertkit.say.plan_notes` words it.
"""

import numpy as np

from fertkit.budget.credits import AMOUNT_OF, AMOUNTS, OWN, is_given
from fertkit.budget.policy import word_of
from fertkit.budget.targets import PLACE, crops_before, is_legume
from fertkit.budget.yields import base_of
from fertkit.errors import InputError, Problem
from fertkit.intake.columns import say_column
from fertkit.intake.spellings import listed
from fertkit.reference.crops import is_known
from fertkit.reference.load import load_table

#: How far apart areas of one field in two years may lie and count as one.
SAME_AREA = 0.005
#: What a cell may hold that names no crop and no manure.
NOTHING = ("", "no", "none", "-", "fallow")
#: Policies whose rates a credit does not change, or that the plan tells of elsewhere.
CREDITLESS = ("none", "fixed", "trial")


def first(years) -> int:
    """Return the position of the season to plan: the earliest year; of years in words the first written."""
    return int(np.argmin(years.to_numpy())) if all(isinstance(year, int) for year in years) else 0


def of_rows(rows):
    """Find which fields the season leaves out, and where the rows of a field contradict each other."""
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
    found = {"no manure rate": dict.fromkeys(unspread), "no row": absent, "areas": sizes,
             "contradicted": before, "taken before": filled, "unknown before": strange}  # fmt: skip
    yield from ((kind, {"where": list(places), "year": year}) for kind, places in found.items() if places)


def _measure(row):
    """By what the manure of a row is measured, a ton or 1,000 gal; '' where no rate is given."""
    return next((AMOUNTS[of][0] for amount, of in AMOUNT_OF.items() if is_given(row.get(amount))), "")


def of_manure(rows, stated):
    """Find where manure is spread of which nobody here knows what it holds of a nutrient."""
    of = stated.loc[stated["kind"] == "manure", [*PLACE, "nutrient"]]
    known = set(of.itertuples(index=False, name=None))
    lacks = {}
    for row in rows.to_dict("records"):
        held = [n for n in OWN if (row["field"], row["zone"], row["year"], n) in known]
        if (measure := _measure(row)) and len(held) < len(OWN):
            name = " ".join(filter(None, (row["field"], row["zone"])))
            lacks.setdefault((measure, *(n for n in OWN if n not in held)), {})[name] = None
    for (measure, *lacking), names in lacks.items():
        yield "no content", {"where": list(names), "nutrients": lacking, "measure": measure}


def of_passes(driven, costs, crops):
    """Find which passes no crop of the season can use, and why; and which may bring next to nothing."""
    unused = driven.unused
    whole = unused[unused["product"] == ""]
    for name, rows in whole.groupby("pass", sort=False):
        if crops <= set(rows["crop"]):
            yield "idle pass", {"name": name, "why": list(dict.fromkeys(rows["why"]))}
    used = dict.fromkeys(driven.applications["pass"])
    free = [name for name in used if costs[name] == 0]
    if free and len(used) > 1:  # each field needs one pass; what more of them bring may be little
        yield "free passes", {"where": free}


def of_legumes(rows, targets, region):
    """Find after which legumes nitrogen is planned without a credit, and whether a region would give one."""
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
        yield "legume elsewhere" if somewhere else "legume", {"where": names, "crop": crop}
    yield from _second_year(rows, before, region)


def _second_year(rows, before, region):
    """Find legumes two years before whose second year a source tells in words alone."""
    table = load_table("legume_credits")
    told = table[table["note"].str.contains("second year") & (table["region"] == region)]
    last = {tuple(place): crop for *place, crop in rows[PLACE].assign(before=before).itertuples(index=False)}
    for r in told.itertuples():
        where = [
            f"{' '.join(filter(None, (field, zone)))} {year}"
            for field, zone, year in rows[PLACE].itertuples(index=False)
            if isinstance(year, int) and last.get((field, zone, year - 1)) == r.previous_crop
        ]
        if where:
            yield (
                "second year",
                {"where": where, "crop": r.previous_crop, "note": r.note, "key": r.source_key},
            )


def unused_tests(rows, tests):
    """Find of which fields and zones there are soil tests that no row of the fields asks for.

    Raises
    ------
    InputError
        If no test is of any field: a plan without them would look like one that rests on them.
    """
    if tests is None:
        return
    tested = tests.levels[["field", "zone"]].astype(str).drop_duplicates()
    places = set(rows[["field", "zone"]].astype(str).itertuples(index=False, name=None))
    names = {field for field, _ in places}
    strange = sorted(set(tested["field"]) - names)
    if strange and not names & set(tested["field"]):
        held = f"the tests are of {listed(strange, 6)}; the fields are {listed(sorted(names), 6)}"
        remedy = "write the same names in both files, in columns 'Field'"
        in_code = say_column("field", "your header", "soil")
        raise InputError(
            tests.name,
            [Problem(f"no soil test belongs to a field of the plan: {held}", remedy, in_code=in_code)],
        )
    if strange:
        yield "strange tests", {"where": strange}
    zones = [
        f"{field} {zone}"
        for field, zone in tested.itertuples(index=False, name=None)
        if zone and field in names and (field, zone) not in places
    ]
    if zones:
        yield "unknown zones", {"where": zones}
