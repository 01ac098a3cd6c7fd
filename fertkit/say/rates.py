"""Rates by soil test, and the products and blends that give them."""

import numpy as np

from fertkit.budget import blends
from fertkit.budget.words import GOVERNS, keys, mark, parts, short
from fertkit.say.line import Line, detail, lead, told

_PER = {"lb/ac": "lb {} per acre", "kg/ha": "kg {} per hectare"}


def soil_rate_lines(rate) -> list[Line]:
    """Say the rate of one system, with its equation."""
    memory = rate.rows.loc[rate.rows["provenance"].isin(["from_memory", "mixed"]), "term"]
    amount = f"{rate.rate:.0f} {_PER[rate.unit].format(rate.nutrient)}"
    said = [
        lead(f"{_titled(rate)}, {rate.crop}: {amount} and year, {rate.zone}"),
        detail(f"{rate.equation}{'' if rate.unit == 'lb/ac' else ' lb/ac'}"),
        detail(keys(rate.rows["source_key"]), "numbers of the equation"),
    ]
    said += [detail(", ".join(memory), "from memory, confirm before use")] if len(memory) else []
    return [*said, told(GOVERNS)]


def _titled(system):
    return f"{system.title} (superseded)" if system.status == "superseded" else system.title


def system_lines(comparison) -> list[Line]:
    """Say what each system asks for."""
    said = [lead(f"{comparison.crop}, {comparison.nutrient} by soil test [lb/ac a year]")]
    for r in comparison.rows.itertuples():
        rate = f"no rate, {r.why_not}" if np.isnan(r.rate_lb_ac) else f"{r.rate_lb_ac:.0f}, {r.zone}"
        said.append(detail(f"{rate} ({keys([r.source_key])}{mark(r.provenance)})", _titled(r)))
    return [*said, told(GOVERNS)]


def product_lines(product) -> list[Line]:
    """Say how much of a product gives a rate, and what comes with it."""
    liquid = "" if np.isnan(product.product_gal_ac) else f" ({product.product_gal_ac:.1f} gal/ac)"
    with_it = ", ".join(f"{r.supplied_lb_ac:.1f} {r.nutrient}" for r in product.rows.itertuples())
    source = f"{keys(product.rows['source_key'])}{mark(' '.join(product.rows['provenance']))}"
    amount = f"{product.material} {product.grade}: {product.product_lb_ac:.0f} lb/ac{liquid}"
    return [lead(f"{amount} supplies {with_it} lb/ac (analysis: {source})"), *_cautions(product)]


def blend_lines(blend) -> list[Line]:
    """Say the mix of least cost and what it supplies."""
    _, volume, area = blends.NAMES[blend.unit]
    said = [lead(f"Least cost {blend.cost:.2f} per {area}, in the money of the price list")]
    analysis = blend.rows.set_index("product")
    for r in blend.used.itertuples():
        liquid = "" if np.isnan(r.volume) else f" ({r.volume:.1f} {volume})"
        of = analysis.loc[r.product]
        source = f"{keys([of['source_key']])}{mark(of['provenance'])}"
        said.append(detail(f"{short(r.rate)} {blend.unit}{liquid} {r.product} ({source}), {r.cost:.2f}"))
    for r in blend.balance.itertuples():
        supplied, target, over = parts(r.supplied, r.target)
        over = f", {over} over" if r.over > max(0.005 * r.target, 0.005) else ""
        asked = f"{target} {blend.unit} asked" if r.target > 0 else "none asked"
        said.append(detail(f"{supplied} supplied, {asked}{over}", r.nutrient))
    return [*said, *_cautions(blend)]


def _cautions(result):
    return [detail(r.text, r.topic) for r in result.cautions.itertuples()]
