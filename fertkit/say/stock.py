"""What was read for a season's plan: soil tests, and products and passes."""

import numpy as np

from fertkit.response.prices import money_text
from fertkit.results import counted, failed, plain
from fertkit.say.line import Kind, Line, detail, lead, mark, marked, row, told

_MOST = 8  # lines of one kind


def soil_tests_lines(tests) -> list[Line]:
    """Say what was read from a soil laboratory's file: each test over the fields, with its span."""
    levels, table = tests.levels, tests.table
    fields = levels[["field", "zone"]].drop_duplicates()
    points = table[["field", "zone", "sample", "sampled"]].drop_duplicates()
    zones = f", {counted(len(fields), 'zone')}" if (fields["zone"] != "").any() else ""
    when = _years(table["sampled"])
    what = f"{counted(fields['field'].nunique(), 'field')}{zones}, {counted(len(points), 'sample')}{when}"
    said = [lead(f"{tests.name}: {what}")]
    for keys, of in levels.groupby(["analyte", "extractant", "method", "unit"], sort=False):
        said.append(row(keys[0], _test(of, *keys)))
    converted = tests.report[tests.report["what"] == "converted"]
    said += [told(f"{r.item}: {r.detail}.", "Converted") for r in converted.head(_MOST).itertuples()]
    unused = tests.report.loc[tests.report["what"] == "not used", "item"].drop_duplicates()
    if len(unused):
        said.append(told(f"{', '.join(unused)}.", "Not used"))
    said += [_moved(r) for r in _trends(tests.trend).itertuples()][:_MOST]
    said += marked(Kind.NOTE, tests.notes[:_MOST])
    if len(tests.notes) > _MOST:
        said.append(told(f"and {len(tests.notes) - _MOST} more, see notes", "Note"))
    return said + [told(text, "Check") for text in failed(tests.checks)]


def _years(dates):
    years = sorted(dates.dropna().dt.year.unique())
    return "" if not years else f", sampled {years[0]}" + (f" to {years[-1]}" if len(years) > 1 else "")


def _test(of, analyte, extractant, method, unit):
    how = ", ".join(filter(None, (extractant, method)))
    low, high = plain(of["value"].min()), plain(of["value"].max())
    span = f"{low} to {high}" if low != high else low
    depths = sorted(of["depth_in"].dropna().unique())
    deep = f", {' and '.join(f'{d:g}' for d in depths)} in deep" if depths else ""
    return f"{span} {unit}".rstrip() + (f" ({how}{deep})" if how else deep)


def _trends(trend):
    """First and newest value of each P and K test that was taken more than once, the most changed first."""
    dated = trend[trend["sampled"].notna() & trend["analyte"].isin(["P", "K"])].sort_values("sampled")
    keys = ["field", "zone", "analyte", "extractant", "method", "unit"]
    ends = dated.groupby(keys, sort=False).agg(
        first=("value", "first"), last=("value", "last"), begun=("sampled", "first"),
        ended=("sampled", "last"), times=("value", "size"),
    )  # fmt: skip
    ends = ends[(ends["times"] > 1) & (ends["first"] > 0)].reset_index()
    change = (ends["last"] / ends["first"] - 1).abs()
    return ends.loc[change.sort_values(ascending=False, kind="stable").index]


def _moved(r):
    where = f"{r.field} {r.zone}".strip()
    how = f" by {r.extractant}" if r.extractant else ""
    now = f"{plain(r.last)} {r.unit} ({r.ended.year})"
    return told(f"{r.analyte}{how} went from {plain(r.first)} ({r.begun.year}) to {now}.", where)


def shed_lines(shed) -> list[Line]:
    """Say what was read from a shed: each product with its price and stock, and the passes."""
    n, passes = len(shed.products), counted(len(shed.passes), "pass")
    said = [
        lead(
            f"{shed.name}: {counted(n, 'product')}, {passes}{'' if shed.own_passes else ' (the usual ones)'}"
        )
    ]
    said += [detail(_product(r), r.product) for r in shed.products.itertuples()]
    said += [
        told(_pass(r, shed.own_passes), name)
        for name, r in zip(shed.passes["pass"], shed.passes.itertuples(), strict=True)
    ]
    said += marked(Kind.NOTE, shed.notes[:_MOST])
    return said + [told(text, "Check") for text in failed(shed.checks)]


def _product(r):
    parts = [f"{r.grade}{mark(r.provenance)}", r.form]
    parts.append("not for sale" if np.isnan(r.price_per_lb) else f"{money_text(r.price)} per {r.price_unit}")
    parts += [f"{plain(r.on_hand_lb)} lb on hand"] * (r.on_hand_lb > 0)
    parts += [f"in lots of {plain(r.lot_lb)} lb"] * (r.lot_lb > 0)
    return ", ".join(parts)


def _pass(r, own):
    times = " to ".join(dict.fromkeys(filter(None, (r.earliest, r.latest))))
    cost = f", {r.cost_per_ac:.2f} per acre" if own else ""
    return f"{r.method}{f', {times}' if times else ''}{cost}."
