"""Blocks that plot numbers tell, rates that are one though written as two, and a rate written twice."""

import re
from collections import Counter
from dataclasses import replace

from fertkit.errors import Note, Problem
from fertkit.intake.strip_doubts import like_blocks, place_of, treated_with
from fertkit.intake.strip_headers import OTHER, say_column
from fertkit.results import plain

#: Rates of different blocks closer than this share of the highest are one rate as applied, and an applied
#: rate further than this from the planned one is reported; a block holds at least this share of the rates
#: (common practice, no source).
APPLIED_OFF, _WHOLE = 0.05, 0.75
_PLOT = re.compile(r"(?:[a-z]+[ ._-]?)?(?:(\d{3,4})|(\d\d?)[-_/.](\d\d?))", re.IGNORECASE)


def blocks_from_plots(frame, headers) -> list[str]:
    """Take the block from the hundreds of plot numbers (101 to 405) where no column names it; say so."""
    if "block" in frame or "strip" not in frame or frame["strip"].isna().any():
        return []
    hits = frame["strip"].map(lambda label: _PLOT.fullmatch(str(label).strip()))
    if not hits.map(bool).all() or hits.map(lambda hit: bool(hit[1])).nunique() > 1:
        return []
    # block 2, plot 5 is written 205 or 2-5
    plots = hits.map(lambda hit: int(hit[1] or 100 * int(hit[2]) + int(hit[3])))
    for unit in (100, 1000):
        blocks = plots // unit
        # The plots of a block carry numbers in a row: 101, 102, ... not 101, 117, 145.
        if blocks.min() > 0 and like_blocks(frame, blocks.astype(str)):
            frame["block"] = blocks
            i, header = headers["strip"]
            headers["block"] = i, replace(header, role="block")
            spans = plots.groupby(blocks).agg(["min", "max"]).itertuples()
            said = "; ".join(f"{r.min} to {r.max} block {r.Index}" for r in list(spans)[:3])
            said += "; ..." * (blocks.nunique() > 3)
            told = f"blocks are taken from the numbers in '{header.text}': {said}; if they tell no blocks, "
            return [Note(f"{told}take '{header.text}' out of the file", say_column(OTHER, header.text))]
    return []


def join_near_rates(frame, headers) -> list[str]:
    """Give strips a planned rate where blocks hold slightly different rates in place of one; say which.

    Rates join where they lie close and no block holds two of them: 50 in some blocks and 50.4 in others.
    The curves keep the rates as given.
    """
    if (
        {"planned", "treatment"} & set(frame)
        or not {"rate", "block"} <= set(frame)
        or frame["rate"].isna().any()
    ):
        return []
    planned, told = frame["rate"].copy(), {}
    for _, rows in frame.groupby(place_of(frame), sort=False):
        joined = _joined(rows)
        if joined is None:
            continue
        planned.loc[rows.index] = joined
        for rate, of in rows.groupby(joined)["rate"]:
            if of.nunique() > 1:
                told.setdefault(rate, set()).update(of)
    if not told:
        return []
    frame["planned"] = planned
    headers["planned"] = headers["rate"]
    said = "; ".join(
        f"{', '.join(plain(x, 4) for x in sorted(of))} as {plain(rate, 4)}"
        for rate, of in list(told.items())[:6]
    )
    more = "; and more" if len(told) > 6 else ""
    return [
        f"rates that differ slightly between blocks are compared as one planned rate ({said}{more}); curves "
        "use the rates as given"
    ]


def _first(told):
    return list(told.items())[:6]


def _joined(rows):
    """The planned rate of each strip of one place; None where the rates do not fall into groups."""
    rates = sorted(rows["rate"].unique())
    near = APPLIED_OFF * rates[-1]
    groups, at = {}, 0
    for last, rate in zip([None, *rates], rates, strict=False):
        at += last is not None and (rate - last > near or last == 0)
        groups[rate] = at
    group = rows["rate"].map(groups)
    held = rows.assign(group=group).groupby(["block", "group"])["rate"].nunique()
    whole = held.groupby(level="block").size() / (at + 1)
    if at + 1 == len(rates) or held.max() > 1 or whole.min() < _WHOLE:
        return None
    usual = rows.groupby(group)["rate"].agg(_usual)
    return group.map(usual)


def _usual(rates) -> float:
    """The rate most often given; the mean, to three digits, where none is."""
    often = rates.value_counts()
    if len(often) == 1 or often.iloc[0] > often.iloc[1]:
        return float(often.index[0])
    return float(f"{rates.mean():.3g}")


def check_written_twice(frame, headers, lines, problems) -> list[str]:
    """Ask about a block that holds one rate twice and lacks another which the other blocks have.

    A rate that one block has alone, in place of one of the others', is only told.
    """
    role = treated_with(frame)
    if "block" not in frame or frame[role].isna().any() or role == "treatment":
        return []
    notes, text = [], headers[role][1].text
    for _, rows in frame.groupby(place_of(frame), sort=False):
        held = {block: Counter(of) for block, of in rows.groupby("block", sort=False)[role]}
        usual = _usual_rates(held.values())
        for block, rates in held.items():
            extra, missing = rates - (usual or rates), (usual or rates) - rates
            if not extra or not missing or extra.total() != missing.total():
                continue
            if 2 * (rates & usual).total() < usual.total():
                continue
            lacks = ", ".join(map(plain, missing))
            twice = [rate for rate in extra if rate in usual]
            for rate in twice:
                at = rows.index[(rows["block"] == block) & (rows[role] == rate)]
                problems.append(Problem(
                    f"block {block} holds the rate {plain(rate)} more than once and not {lacks}, which the "
                    "other blocks hold", "correct the rate on one of these lines; if both are right, add a "
                    "column 'Planned rate'", lines[at[-1]], text, plain(rate),
                ))  # fmt: skip
            if not twice:
                alone = ", ".join(map(plain, extra))
                notes.append(
                    f"block {block} has {alone} where the other blocks have {lacks}: check that rate"
                )
    return notes


def _usual_rates(held):
    """The rates that half of the blocks or more hold alike, the fullest set first; None if there are none."""
    sets = Counter(tuple(sorted(rates.elements())) for rates in held)
    best = max(sets, key=lambda rates: (sets[rates], len(set(rates))))
    return Counter(best) if 2 * sets[best] >= sets.total() else None
