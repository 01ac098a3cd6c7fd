"""A season plan in words: the farm for who decides, a sheet a field for who drives."""

import numpy as np

from fertkit.budget.mixing import EARLY
from fertkit.reference.load import load_table
from fertkit.response.prices import money_text
from fertkit.results import capital, counted, plain
from fertkit.say.line import GOVERNS, Kind, Line, lead, mark, missing, notes, row, short, told
from fertkit.say.passes import apart, watch_lines
from fertkit.say.plan import UNDECIDED, no_rate_lines, places, seasons_of, titles_of, undecided_lines, why_of
from fertkit.say.plan_notes import plan_notes

_MOST = 6  # fields named in one sentence
_ABOUT_REMOVAL = 1.0  # lb/ac, a step of the spreader: so little more than removal is not told
_SURPLUS = 5.0  # lb/ac above the rate from where on the sheet of a field tells it
_SPARE = 0.1  # share of what is bought, from which it is told what is left of it
_LARGE = {"lb": (2000, "ton"), "kg": (1000, "t")}  # from where on masses are told in tons


def named(field, zone="") -> str:
    """Name a field and its zone."""
    return f"{field} {zone}".strip()


def plan_answer_lines(answer) -> list[Line]:
    """Say the plan of the farm: what it asks for, its cost, what is bought and driven, what is left out."""
    plan, words = answer.plan, answer.words
    rates = answer.measured(answer.rates)
    land = rates.drop_duplicates(["field", "zone", "crop"])
    zones = f" in {counted(len(land), 'zone')}" if (land["zone"] != "").any() else ""
    grown = ", ".join(
        f"{crop} {_land(area)}" for crop, area in land.groupby("crop", sort=False)["area_ac"].sum().items()
    )
    area = land["area_ac"].sum()
    said = [lead(f"{answer.title}: {counted(land['field'].nunique(), 'field')}{zones}, "
                 f"{_land(area)} {words['area']} ({grown}).")]  # fmt: skip
    said += _wanted(plan.targets, rates, words)
    credits = plan.targets.credits
    said += _not_taken(answer.measured(credits[credits["year"] == plan.year]), words)
    if plan.passes is not None:
        said += _money(answer, area)
        said += watch_lines(answer.measured(plan.passes.watch), words["rate"])
    said += _carried(answer.measured(plan.ledger.table), words)
    said += _left_out(plan)
    return [*said, *notes(plan_notes(plan)), told(GOVERNS)]


def _land(area):
    """Write an area: whole from a hundred on, so that parts of a small farm add up to it."""
    return f"{area:,.0f}" if area >= 99.95 else plain(area)


def _wanted(targets, rates, words):
    """Each nutrient over the farm, and by what."""
    titles = titles_of(targets)
    for nutrient, some in rates.groupby("nutrient", sort=False):
        if not (some["rate_lb_ac"] > 0).any():
            continue
        some = some[some["why"] != "legume"]
        amount, gone, credit = (
            (some[c] * some["area_ac"]).sum() for c in ("rate_lb_ac", "removal_lb_ac", "credit_lb_ac")
        )
        less = f" after credits of {short(credit)}" if credit > 0 else ""
        text = f"{short(amount)} {words['mass']} to apply{less}; {short(gone)} removed with the harvest."
        yield row(nutrient, text)
        for (why, system), of in some.groupby(["why", "system"], sort=False):
            text = f"{_span(of['rate_lb_ac'])} {words['rate']} on {places(of)}, "
            text += f"{why_of(why, titles.get(system, 'removal'))}{mark(' '.join(of['provenance']))}."
            yield Line(Kind.DETAIL, text, sources=_keys(of["source_key"]))
            yield from undecided_lines(targets, of) if why in UNDECIDED else ()


_BRINGS = {"manure": "in manure", "legume": "of the legume before"}


def _not_taken(credits, words):
    """What manure and a legume before bring and the rates do not count, and why."""
    idle = credits[(credits["taken_lb_ac"] == 0) & (credits["total_lb_ac"] > 0)]
    manure, legume = idle["kind"] == "manure", (idle["kind"] == "legume") & (idle["why_not"] != "")
    idle = idle.assign(why=idle["why_not"].replace("", "no availability is published for it"))[
        manure | legume
    ]
    for (kind, why), some in idle.groupby(["kind", "why"], sort=False):
        places = some.drop_duplicates(["field", "zone"])
        where = ", ".join(named(r.field, r.zone) for r in places.head(_MOST).itertuples()) + _more(places)
        amounts = (
            f"{_span(of['total_lb_ac'])} {words['rate']} {n}"
            for n, of in some.groupby("nutrient", sort=False)
        )
        text = f"{', '.join(amounts)} {_BRINGS[kind]} on {where}"
        yield told(f"{text}: {why}.", "Not credited")


def _keys(column):
    """Source keys of some rows, each once."""
    each = dict.fromkeys(key for text in column for key in str(text).split(";"))
    return tuple(key for key in each if key and not key.startswith("own "))


def _span(values):
    low, high = short(values.min()), short(values.max())
    return low if low == high else f"{low} to {high}"


def _money(answer, area):
    """Cost, what to buy, what to drive, and what more money would do."""
    driven, words = answer.plan.passes, answer.words
    each = money_text(driven.cost / area, answer.money, words["area"])
    what = "products and passes" if driven.passes["cost"].any() else "products, with passes at no cost"
    shed = driven.purchases["on_hand_lb"].to_numpy() > 0
    stock = (
        " Stock on hand counts as already paid for."
        if (shed & (driven.purchases["need_lb"] > 0)).any()
        else ""
    )
    spent = f"{money_text(driven.cost, answer.money)} for {what}, {each}.{stock}"
    none = driven.short_of_money and not len(driven.applications)
    said = [told("nothing: no whole pass fits the spending limit." if none else spent, "Cost")]
    buy = [_amount(r, words) for r in answer.measured(driven.purchases).itertuples() if r.bought_lb > 0]
    if buy:
        said.append(told(f"{'; '.join(buy)}.", "Buy"))
    passes = answer.measured(driven.passes[driven.passes["fields"] > 0])
    for name, r in zip(passes["pass"], passes.itertuples(), strict=True):
        some = driven.applications[driven.applications["pass"] == name]
        products = ", ".join(dict.fromkeys(some["product"]))
        said.append(
            row(f"{capital(name)}:", f"{_land(r.acres)} {words['area']} on {places(some)}: {products}.")
        )
    most = answer.plan.nitrogen_passes
    most = most[most["share"] > 0.5]
    if len(most) and not driven.passes["cost"].any():
        shares = "; ".join(f"{r['crop']}, {r['share']:.0%} in {r['pass']}" for _, r in most.iterrows())
        said.append(told(f"Most nitrogen goes on in one pass: {shares}. {_ONE_PASS}", "Timing"))
    lacks = answer.measured(driven.nutrients[driven.nutrients["short_lb_ac"] > 0.5])
    for nutrient, some in lacks.groupby("nutrient", sort=False):
        where = ", ".join(
            f"{named(r.field, r.zone)} {short(r.short_lb_ac)}" for r in some.head(_MOST).itertuples()
        )
        why = "over the spending limit" if driven.short_of_money else "less than one rate step"
        text = f"{where} {words['rate']}{_more(some)}: {why}."
        said.append(missing(f"Short of {nutrient}", text))
    if len(driven.shadow):
        first = driven.shadow.iloc[0]
        where = named(first["field"], first["zone"])
        said.append(told(f"More money pays best for {first['nutrient']} on {where}, by {first['basis']}."))
    return said


_ONE_PASS = "Only cost decides, and these passes cost nothing: split nitrogen where your local guide says so."


def _amount(r, words):
    lots = counted(int(r.lots), "lot") if np.isfinite(r.lots) else ""
    spare = r.on_hand_lb + r.bought_lb - r.need_lb  # whole loads and bags leave some
    spare = f"{_mass(spare, words)} spare" if lots and spare > _SPARE * r.bought_lb else ""
    about = ", ".join(filter(None, (lots, spare)))
    return f"{_mass(r.bought_lb, words)} of {r.product}" + (f" ({about})" if about else "")


def _mass(amount, words):
    least, large = _LARGE[words["mass"]]
    if amount < least:
        return f"{amount:,.0f} {words['mass']}"
    size = plain(amount / least)
    return f"{size} {large}{'s' * (large == 'ton' and size != '1')}"


def _more(some):
    return f" and {len(some) - _MOST} more" if len(some) > _MOST else ""


def _carried(books, words):
    """What the seasons of the plan leave of P2O5 and K2O, all together and each."""
    for nutrient, some in books[books["nutrient"] != "N"].groupby("nutrient", sort=False):
        each = (some["left"] * some["area_ac"]).groupby(some["year"], sort=False).sum()
        left, way = each.sum(), 1 if each.sum() >= 0 else -1
        label = f"{nutrient} {'carried over' if way > 0 else 'drawn from the soil'}"
        text = f"{short(way * left)} {words['mass']}"
        if len(each) > 1:
            of = ", ".join(f"{_signed(each[year])} in {year}" for year in seasons_of(some))
            text += f" over {len(each)} seasons (balance {of})"
        yield told(f"{text}.", label)


def _signed(amount):
    text = short(amount)
    return f"+{text}" if amount > 0 and text != "0" else text


def _left_out(plan):
    """Nutrients without a rate, each with its reason and what to do."""
    rows = plan.targets.left_out[plan.targets.left_out["year"] == plan.year]
    yield from no_rate_lines(plan.targets, rows)


def field_plan_lines(answer, field, zone) -> list[Line]:
    """Say the plan of one field for who drives it: what goes on, when, and why."""
    rates, words = answer.measured(answer.of(field, zone, answer.rates)), answer.words
    first, titles = rates.iloc[0], titles_of(answer.plan.targets)
    goal = f", goal {plain(first['yield_goal'])} {first['yield_unit']}" if first["yield_goal"] > 0 else ""
    said = [told(f"{str(first['crop']).capitalize()}, {_land(first['area_ac'])} {words['area']}{goal}.")]
    if answer.plan.passes is not None:
        said += _orders(answer.measured(answer.of(field, zone, answer.plan.passes.applications)), words)
    for r in rates[rates["rate_lb_ac"] > 0].itertuples():
        test = f", soil test {plain(r.test)} {r.test_unit}, {r.soil_class}" if r.test == r.test else ""
        why = why_of(r.why, titles.get(r.system, "removal"))
        said.append(row(r.nutrient, f"{short(r.rate_lb_ac)} {words['rate']} {why}{test}."))
    for r in rates.loc[rates["rate_lb_ac"] == 0].itertuples():
        why = why_of(r.why, titles.get(r.system, "removal"))
        said.append(row(r.nutrient, f"none, {why}{_reason(r, words)}."))
    return [*said, *_surplus(answer, field, zone)]


def _surplus(answer, field, zone):
    """What the products of a field bring beyond its rates, because they hold other nutrients too."""
    here = answer.of(field, zone, answer.plan.brought)
    here = here[here["brought_lb_ac"] > here["rate_lb_ac"] + _SURPLUS]
    more = here["brought_lb_ac"] - here["rate_lb_ac"]
    here = answer.measured(here.assign(more_lb_ac=more))
    unit = answer.words["rate"]
    each = [f"{r.nutrient} {short(r.brought_lb_ac)} {unit}, {short(r.more_lb_ac)} above its rate"
            for r in here.itertuples()]  # fmt: skip
    if each:
        yield told(f"{'; '.join(each)}.", "These products bring more")


def test_text(r) -> str:
    """Write a soil test: 21.7 ppm by Mehlich-3."""
    if r.test != r.test:
        return ""
    return f"{plain(r.test)} {r.test_unit}".rstrip() + (f" by {r.extractant}" if r.extractant else "")


def _reason(r, words):
    if r.credit_lb_ac > 0:
        return f": credits of {short(r.credit_lb_ac)} {words['rate']} cover it"
    return f": the soil test is {r.soil_class}" if r.soil_class else ""


def _orders(applied, words):
    """What goes on in each pass."""
    if applied.empty:
        return [told("Nothing is applied.")]
    said = []
    for name, some in applied.groupby("pass", sort=False):
        loads = "; ".join(_order(r, words) for r in some.itertuples())
        said.append(row(f"{capital(str(name))}:", f"{loads}."))
    return said


def _order(r, words):
    if r.gal_ac == r.gal_ac:
        return f"{plain(r.gal_ac)} {words['liquid']} of {r.product}"
    return f"{r.rate_lb_ac:,.0f} {words['rate']} of {r.product} ({_mass(r.pounds, words)} in all)"


def pace_lines(answer) -> list[Line]:
    """Say where the passes fall behind the crop, and what may wait."""
    season, words = answer.measured(answer.plan.season), answer.words
    said = [told("Soil supply is assumed as uptake minus the rate; cold or dry weeks give less.")]
    for (crop, nutrient), some in season.groupby(["crop", "nutrient"], sort=False):
        late = some[some["first_short_stage"] != ""]
        text = "passes keep pace with the crop"
        if len(late):
            where, from_ = places(late), " or ".join(late["first_short_stage"].unique()[:3])
            gap = short(late["largest_gap_lb_ac"].max())
            text = f"passes fall behind on {where} from {from_}, by up to {gap} {words['rate']}: "
            text += "move a pass forward"
        # a pass after planting brings these too late to count, unless the soil would not hold them
        early = (nutrient in EARLY) & (some["reason"] == "")
        wait = some[(some["can_wait_lb_ac"] > 0) & ~early]
        if len(wait):
            most, until = short(wait["can_wait_lb_ac"].max()), wait["wait_stage"].iloc[0]
            text += f"; up to {most} {words['rate']} may wait until {until} on {places(wait)}"
        why = sorted(set(some["reason"]) - {""})
        text += f"; {' and '.join(why)} is a reason to wait" if why and len(wait) else ""
        said.append(row(nutrient, f"{crop}: {text}."))
    return said


def difference_lines(answer) -> list[Line]:
    """Say where the published systems differ, and by how much."""
    sides, rate = answer.measured(answer.systems), answer.words["rate"]
    sides = sides[sides["rate_lb_ac"].notna()]
    if sides.empty:
        return [told("No published system gives a rate for these fields.")]
    spread = sides.groupby(["field", "zone", "nutrient"], sort=False)["rate_lb_ac"]
    spread = spread.agg(["min", "max", "size"])
    spread = spread[spread["size"] > 1]
    if spread.empty:
        return [told("Only one system fits each test.")]
    widest = (spread["max"] - spread["min"]).sort_values(ascending=False)
    said = [told("Systems differ in critical level, build-up years, removal and yields.")]  # fmt: skip
    for field, zone, nutrient in widest.index[:_MOST]:
        rows = sides[(sides["field"] == field) & (sides["zone"] == zone) & (sides["nutrient"] == nutrient)]
        texts = [f"{r.title} {short(r.rate_lb_ac)}" for r in rows.sort_values("rate_lb_ac").itertuples()]
        said.append(row(named(field, zone), f"{nutrient} [{rate}]: {', '.join(texts)}."))
    return said


def figure_says(answer) -> str:
    """The message of the farm's figure."""
    rates = answer.plan.brought
    above = rates[rates["brought_lb_ac"] > rates["removal_lb_ac"] + _ABOUT_REMOVAL]
    text = "Nutrients applied and removed"
    one = above.groupby(["field", "zone"]).ngroups == 1
    return f"{text}; {places(above)} {'gets' if one else 'get'} more than is removed."


def practice_lines(answer) -> list[Line]:
    """Say what is known, or held in the trade, of the time and form of what is applied."""
    rates = answer.rates
    applied = set(rates.loc[rates["rate_lb_ac"] > 0, "nutrient"])
    rows = [r for r in load_table("practices").itertuples() if applied & set(r.nutrient.split(";"))]
    kinds = [Kind.PRACTICE if "no source" in r.provenance else Kind.TEXT for r in rows]
    return [
        Line(kind, r.text, capital(r.topic), sources=_keys([r.source_key]))
        for kind, r in zip(kinds, rows, strict=True)
    ]


def plan_cautions(plan) -> list[str]:
    """Cautions of the nutrients and products of the plan, each once."""
    texts = [*apart(plan.cautions)["text"]]
    for r in [] if plan.passes is None else apart(plan.passes.cautions).itertuples():
        whole = r.text[:1].isupper() or not r.product  # else a few words about one product
        texts.append(r.text if whole else f"{capital(r.product)}: {r.text}.")
    return list(dict.fromkeys(texts))
