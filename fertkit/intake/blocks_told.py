"""Blocks that no column names: told by the plot numbers, or by the rows of a Latin square."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd

from fertkit.intake.columns import OTHER, say_column
from fertkit.intake.grid import header_key
from fertkit.intake.spellings import note
from fertkit.intake.strip_headers import read_header

#: Labels as blocks have them: 3, B, IV, R2, Rep 4.
_LABEL = re.compile(r"[a-z]{0,5}[ ._-]?\d{1,2}|[a-z]{1,4}", re.IGNORECASE)
#: Plots that carry their block: in the hundreds or thousands (205, 2005), before a mark (2-5), or where the
#: other half is the position in the block (2E, E2, R2P5).
_NUMBERED = tuple(
    re.compile(rf"(?:[a-z]+[ ._-]?)?{of}", re.IGNORECASE)
    for of in (r"(\d\d?)(\d\d)", r"(\d)(\d{3})", r"(\d\d?)[-_/.](\d\d?)")
)
_PLACED = tuple(
    re.compile(of, re.IGNORECASE)
    for of in (
        r"(\d\d?)[ ._-]?([a-z])",
        r"([a-z])[ ._-]?(\d\d?)",
        r"[a-z]+[ ._-]?(\d\d?)[ ._-]?[a-z]+[ ._-]?(\d\d?)",
    )
)
#: A trial has no more blocks than this; a block that lost a strip still holds this share of the rates
#: (common practice, no source).
_MOST_BLOCKS, WHOLE = 12, 0.75
#: Headers of columns that place strips on a grid.
GRID_ROWS, GRID_COLUMNS = ("row", "range", "tier"), ("column", "col")


def blocks_from_plots(draft) -> list[str]:
    """Take the block from plot numbers such as 101 to 405, 2-5 or 2E where no column names it; say so."""
    frame = draft.frame
    if "block" in frame or "strip" not in frame or frame["strip"].isna().any():
        return []
    plots = frame["strip"].astype(str).str.strip()
    blocks = next((told for told in _told(draft, plots) if like_blocks(draft, told)), None)
    if blocks is None:
        return []
    frame["block"] = blocks
    i, header = draft.headers["strip"]
    draft.headers["block"] = i, replace(header, role="block")
    ordered = plots.loc[sorted(plots.index, key=lambda i: (len(plots[i]), plots[i]))]
    spans = [f"{of.iloc[0]} to {of.iloc[-1]} block {block}" for block, of in ordered.groupby(blocks)]
    named = "; ".join(spans[:3]) + "; ..." * (len(spans) > 3)
    return [note("blocks of plots", header=header.text, said=named, in_code=say_column(OTHER, header.text))]


def _told(draft, plots):
    """Yield what may be the block of each plot, way of numbering by way of numbering."""
    for form in (*_NUMBERED, *_PLACED):
        hits = plots.map(form.fullmatch)
        if not hits.map(bool).all():
            continue
        halves = [hits.map(lambda hit, of=of: hit[of]) for of in (1, 2)]
        if form in _NUMBERED:
            yield halves[0].astype(int)
            continue
        # A half of one rate throughout names a treatment or parts of a strip, no position in a block; a block
        # holds a rate once, a position by chance.
        rate = draft.frame[draft.treated]
        if all(rate.groupby([draft.place, half]).nunique().max() > 1 for half in halves):
            twice = [pd.concat([draft.place, half, rate], axis=1).duplicated().sum() for half in halves]
            yield halves[int(twice[1] < twice[0])]


def blocks_from_square(draft) -> list[str]:
    """Take the block from the rows of a Latin square where no column names it; say so."""
    keys = {header_key(text): text for text in draft.extra}
    row, column = (
        next((keys[name] for name in names if name in keys), None) for names in (GRID_ROWS, GRID_COLUMNS)
    )
    axes = [draft.extra[text] for text in (row, column) if text is not None]
    if "block" in draft.frame or len(axes) < 2 or not latin_square(*axes, draft.frame[draft.treated]):
        return []
    draft.frame["block"] = draft.extra.pop(row)
    draft.headers["block"] = draft.headers[draft.treated][0], read_header(row, "block")
    return [note("square", rows=row, columns=column)]


def column_of_square(draft) -> str:
    """Return the column of a Latin square beside its blocks, empty where there is none."""
    text = next((text for text in draft.extra if header_key(text) in GRID_COLUMNS), "")
    if not text or "block" not in draft.frame:
        return ""
    square = latin_square(draft.frame["block"], draft.extra[text], draft.frame[draft.treated])
    return text if square else ""


def latin_square(row, column, treatment) -> bool:
    """Tell whether each treatment stands once in each row and once in each column, lost strips aside."""
    strips = pd.DataFrame({"row": np.asarray(row), "column": np.asarray(column), "of": np.asarray(treatment)})
    sizes = set(strips.nunique())
    pairs = (["row", "of"], ["column", "of"], ["row", "column"])
    return len(sizes) == 1 and not any(strips.duplicated(pair).any() for pair in pairs)


def like_blocks(draft, cells) -> bool:
    """Whether, within a trial, each of a few short labels stands beside nearly every rate, several times."""
    labels = cells.map(lambda label: str(label).strip(), na_action="ignore")
    if labels.isna().any() or not labels.drop_duplicates().map(_LABEL.fullmatch).map(bool).all():
        return False
    strips = pd.DataFrame({"place": draft.place, "label": labels, "rate": draft.frame[draft.treated]})
    rates_of = strips.groupby("place")["rate"].nunique()
    rates = strips[strips["place"].map(rates_of) > 1].groupby(["place", "label"])["rate"].nunique()
    whole = rates.div(rates_of, level="place").groupby("place")
    return bool(((whole.min() >= WHOLE) & whole.size().between(2, _MOST_BLOCKS)).any())
