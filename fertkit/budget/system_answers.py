"""What every carried soil-test system answers for every field, and what leaves with its harvest."""

from functools import lru_cache

import numpy as np
import pandas as pd

from fertkit.budget.policy import Policy, word_of
from fertkit.budget.soil_reckon import bounded, rate_plans, reckon
from fertkit.budget.studies import default_rows, worked_out
from fertkit.budget.systems import COLUMNS, class_answers, needed_test, refusal
from fertkit.budget.thresholds import OXIDE, fits, lb_ac_per_ppm, rate_systems
from fertkit.errors import FertkitError, LookupFailed, UnitError
from fertkit.intake.soil_results import FURROW_SLICE_IN
from fertkit.reference.own import OWN
from fertkit.reference.regions import in_region
from fertkit.rounding import below
from fertkit.units import depth_text

#: What a soil test of each nutrient is called, where not as the nutrient itself.
ANALYTE = {"P2O5": "P", "K2O": "K", "N": "NO3-N"}
ELEMENT = {oxide: element for element, oxide in OXIDE.items()}
#: A foot-and-a-bit of soil that weighs two million pounds an acre [in].
SLICE_IN = 20 / 3
NO_TEST = "no soil test"
WORDS = ("field", "zone", "analyte", "extractant", "method", "unit")


def level_records(levels) -> list[dict]:
    """Soil tests with a number, their words '' where blank; without a column of units they are in ppm."""
    if levels is None or levels.empty:
        return []
    usable = levels.assign(unit=levels.get("unit", "ppm"))[levels["value"].notna()]
    return [row | {name: word_of(row.get(name)) for name in WORDS} for row in usable.to_dict("records")]


def levels_by_row(levels, rows):
    """Per row: analyte -> tests as the systems ask for them; cec and om as numbers."""
    by_place: dict[tuple, dict] = {}
    for row in level_records(levels):
        by_place.setdefault((row["field"], row["zone"]), {}).setdefault(row["analyte"], []).append(row)
    tests = {
        place: {name: _as_asked(name, some) for name, some in found.items()}
        for place, found in by_place.items()
    }
    of_rows = []
    for field, zone in rows[["field", "zone"]].itertuples(index=False):
        # a test of the whole field stands for a zone without one of its own
        of_rows.append(tests.get((field, ""), {}) | tests.get((field, zone), {}))
    return of_rows


def _as_asked(analyte, levels):
    """Tests of one analyte in the words of `soil_rate`; one level may answer under several of them."""
    if analyte in ("CEC", "OM"):
        return float(np.mean([row["value"] for row in levels]))
    return [test for row in levels for test in _ways(analyte, row)]


def _ways(analyte, row):
    extractant = row["extractant"] or {"NO3-N": "nitrate"}.get(analyte, "")
    method, depth = row["method"].casefold(), float(row.get("depth_in", np.nan))
    names = [extractant]
    if analyte == "P" and extractant == "Mehlich-3" and "color" in method:
        names = ["Mehlich-3 colorimetric"]
    elif analyte == "P" and extractant == "Mehlich-3" and "icp" in method:
        names = ["Mehlich-3", "Mehlich-3 ICP"]
    units = {row["unit"]: row["value"]}
    per_ppm = lb_ac_per_ppm() * depth / SLICE_IN
    if row["unit"] == "lb/ac" and depth <= 12 and not FURROW_SLICE_IN[0] <= depth <= FURROW_SLICE_IN[1]:
        # twice the ppm by habit, or the pounds of that layer: a fifth apart at 8 in, so no rate rests on it
        units = {f"lb/ac of {depth:g} in": row["value"]}
    if depth > 12:  # a profile: pounds of its whole depth, not of a furrow slice
        ppm = units.get("ppm", row["value"] / per_ppm)
        units = {"ppm": ppm, "lb/ac of profile": ppm * per_ppm}
    about = {"depth_in": depth, "sampled": row.get("sampled")}
    for name in names:
        for unit, value in units.items():
            yield {"test": float(value), "extractant": name, "test_unit": unit} | about


def is_carried(nutrient, tests, rows, own):
    """Whether any field has a test of a nutrient that a system gives rates by for its crop."""
    analyte, crops = ANALYTE.get(nutrient, nutrient), zip(tests, rows["crop"], strict=True)
    return any(analyte in test and bool(_rate_systems(nutrient, crop, own)) for test, crop in crops)


# ---- removal and systems


def removal_of(rows, wanted, region, chosen):
    """Per nutrient: removal of every row [lb/ac], what of it is baled residue, source, provenance."""
    what = ["crop", "part", "pounds", "baled", "residue"]
    alike = rows[what].drop_duplicates().reset_index(drop=True)
    code = rows[what].merge(alike.assign(code=alike.index), on=what, how="left")["code"].to_numpy()
    studied = {"nutrients": wanted, "region": region} | chosen
    removed, baled = _removed(alike, studied), alike[alike["baled"] > 0]
    grain = _removed(baled.assign(baled=0.0), studied) if len(baled) else removed
    found = {}
    for nutrient in wanted:
        one = removed[removed["nutrient"] == nutrient].set_index("at").reindex(alike.index)
        kept = grain[grain["nutrient"] == nutrient].set_index("at").reindex(alike.index)
        residue = (one["removed"] - kept["removed"]).where(alike["baled"] > 0, 0.0)
        table = pd.DataFrame({
            "uptake": one["uptake"], "removed": one["removed"], "residue": residue.clip(lower=0).fillna(0.0),
            "removed_source": _words(one["removed_source"]), "provenance": _words(one["provenance"]),
        })  # fmt: skip
        found[nutrient] = table.iloc[code].reset_index(drop=True).to_dict("records")
    return found


def _words(column):
    return column.astype(object).where(column.notna(), "")


def _removed(alike, studied):
    return default_rows(worked_out(alike.assign(at=alike.index), **studied))


@lru_cache(maxsize=4096)
def _rate_systems(nutrient, crop, own):
    carried = rate_systems(ELEMENT.get(nutrient, nutrient), crop, own)
    return [system for system in rate_plans(own) if system in carried]


def system_answers(rows, wanted, asked, tests, removal, region, own, unit):
    """Every system that carries a crop and nutrient, asked with every test of the field, one record each.

    What a record says of depths it says as `unit`, of rates, has them.
    """
    plans, home = rate_plans(own), _at_home(region, own)
    refused, records = {}, []
    for i, row in enumerate(rows.to_dict("records")):
        field = {"cec": tests[i].get("CEC"), "om_pct": tests[i].get("OM"), "cases": row["cases"],
                 "rotation": row["rotation"], "own": own}  # fmt: skip
        known = (
            row["crop"],
            *map(tuple, (row["cases"], row["rotation"])),
            field["cec"] is None,
            field["om_pct"] is None,
        )
        for nutrient in wanted:
            given = tests[i].get(ANALYTE.get(nutrient, nutrient), [])
            years = asked[i].get(nutrient, Policy()).years
            options = field | {"residue_lb_ac": removal[nutrient][i]["residue"]}
            options["years"] = None if np.isnan(years) else years
            for system in _rate_systems(nutrient, row["crop"], own):
                record = _ask(plans[system], nutrient, row, given, options, known, refused, unit)
                records.append({"at": i, "nutrient": nutrient, "at_home": home[system]} | record)
            classes = class_answers(ELEMENT.get(nutrient, nutrient), given, row["crop"], own)
            records += [{"at": i, "nutrient": nutrient, "at_home": False} | _of_class(one) for one in classes]
    return records


def _of_class(answer):
    """Record of a system that has classes and no rates."""
    record = dict(zip(COLUMNS[:-1], answer, strict=True))
    word = record.pop("zone")
    return record | {"policy": "", "region": "", "note": "", "soil_class": word, "zone_of_system": word,
                     "reason": "classes"}  # fmt: skip


def _at_home(region, own):
    """Whether each system is of the region, a state or what holds it; one's own systems always are."""
    return {
        system: plan["provenance"] == OWN
        or bool(in_region(pd.Series(plan["region"].split(";")), region).any())
        for system, plan in rate_plans(own).items()
    }


def _ask(plan, nutrient, row, tests, options, known, refused, unit):
    """One system's answer to the first test it takes, or why it takes none."""
    system, element = plan["system"], ELEMENT.get(nutrient, nutrient)
    about = {"system": system, "title": plan["title"], "policy": plan["policy"],
             "region": plan["region"], "source_key": plan["source_key"], "note": plan["note"]}  # fmt: skip
    errors = []
    for test in tests:
        on = {name: test[name] for name in ("test", "extractant", "depth_in", "test_unit")}
        alike = (system, nutrient, *known, *list(on.values())[1:])
        if alike in refused:
            errors.append(refused[alike])
            continue
        try:
            got = reckon(system, element, row["crop"], row["pounds"], **on, **options)
        except FertkitError as error:
            errors.append(error)
            if isinstance(error, UnitError | LookupFailed):
                refused[alike] = error  # whatever the level
            continue
        return about | _reckoned(got, plan, on)
    silent = {"status": "", "why_not": NO_TEST, "reason": "no test"}
    if errors:
        silent = _silent(plan["thresholds"], element, row["crop"], tests, errors, options["own"], unit)
    return about | {"rate_lb_ac": np.nan, "provenance": plan["provenance"]} | silent


def _silent(thresholds, element, crop, tests, errors, own, unit):
    """Why a system takes none of the tests, of which each has its error; what it asks for, what is given."""
    status, why = refusal(thresholds, element, crop, errors, own, unit)
    silent = {"status": status, "why_not": why}
    other = next((error for error in errors if not isinstance(error, UnitError)), None)
    if other is not None:
        return silent | {"reason": "field", "need": other.remedy or why}
    needed = needed_test(thresholds, element, crop, own)
    alike = [(t, e) for t, e in zip(tests, errors, strict=True) if fits(t["extractant"], needed.extractant)]
    as_deep = [e for t, e in alike if np.isnan(needed.depth_in) or t["depth_in"] == needed.depth_in]
    if as_deep:
        given = ", ".join(dict.fromkeys(t["test_unit"] for t, _ in alike))
        return silent | {"why_not": as_deep[0].what, "reason": "unit", "need": needed.unit, "given": given}
    if alike:
        depths = dict.fromkeys(t["depth_in"] for t, _ in alike if t["depth_in"] == t["depth_in"])
        given, why = ", ".join(depth_text(depth, unit) for depth in depths), "depth" if depths else "no depth"
        return silent | {"reason": why, "need": depth_text(needed.depth_in, unit), "given": given}
    given = ", ".join(dict.fromkeys(t["extractant"] for t in tests))
    return silent | {"reason": "method", "need": needed.extractant, "given": given}


def _reckoned(got, plan, on):
    rate, equation, _ = bounded(got.worked, got.terms, 0.0, plan["rate_unit"])
    terms = got.terms.rows
    marks = {row[4] for row in terms} - {OWN}
    keys = dict.fromkeys(
        key for row in terms for key in row[3].split(";") if key and not key.startswith("own ")
    )
    lines = got.lines
    built = got.worked.zone == "build-up"
    return {
        "status": lines.status, "rate_lb_ac": rate, "soil_class": _class_of(got),
        "zone_of_system": got.worked.zone,
        "critical": lines.critical, "limit": lines.limit, "test": got.level, "test_unit": lines.test_unit,
        "extractant": on["extractant"], "depth_in": on["depth_in"], "years": got.years if built else np.nan,
        "coefficients": "; ".join(f"{row[0]} {row[1]:g}" for row in terms if row[0] != "soil test"),
        "equation": equation, "why_not": "", "source_key": ";".join(keys),
        "provenance": marks.pop() if len(marks) == 1 else "mixed" if marks else OWN,
    }  # fmt: skip


def _class_of(got):
    """Low, in range or high by the lines of the system; '' where it draws none."""
    lines, level = got.lines, got.level
    if np.isinf(lines.critical):
        return "" if got.worked.zone in ("equation", "sufficiency") else got.worked.zone
    if below(level, lines.critical):
        return "low"
    return "target range" if np.isfinite(lines.limit) and below(level, lines.limit) else "high"
