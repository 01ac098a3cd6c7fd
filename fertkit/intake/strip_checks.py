"""Whether strips are what they seem: unnamed columns, second factors, harvest points, rates twice."""

import re
from collections import Counter
from functools import lru_cache

import numpy as np
import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.blocks_told import WHOLE, column_of_square, like_blocks
from fertkit.intake.columns import OTHER, say_column
from fertkit.intake.grid import header_key, is_merged
from fertkit.intake.spellings import listed, note, plain, problem
from fertkit.intake.strip_headers import FACTORS, PLACES, read_header, says
from fertkit.results import counted
from fertkit.results import plain as number
from fertkit.rounding import same

_PERCENT = re.compile(r"%|\b(?:pct|percent|prozent|porcentaje)\b")
NO_BLOCKS = "no blocks given: strips are treated as fully randomised"
#: Grain is harvested between these moistures [%], or tells its dry matter (common practice, no source).
_MOIST, _DRY = (5, 40), (60, 95)
#: Rates of different blocks closer than this share of the highest are one rate as applied, and an applied
#: rate further than this from the planned one is reported (common practice, no source).
APPLIED_OFF = 0.05
#: A factor has no more levels than this, numbers fewer; it parts at least this share of the cells of block
#: and rate that hold several lines (common practice, no source).
_MOST_LEVELS, _MOST_NUMBERS, _PARTS = 12, 6, 0.5
#: Rates that a curve needs.
_CURVE = 3
#: Words that name a coordinate, by axis.
_AXES = (
    {"lon", "long", "longitude", "lng", "x", "easting", "east", "utm x", "x coord", "laenge", "longitud"},
    {"lat", "latitude", "y", "northing", "north", "utm y", "y coord", "breite", "latitud"},
)
#: Columns that name a single strip.
_NAMES = ("strip", "plot", "position", "row", "column")
#: No block holds a rate this often, no trial without blocks this often with coordinates on every row, and
#: none at all this often (common practice, no source).
MANY_IN_BLOCK, MANY_PLACED, MANY = 5, 13, 100

REMEDY = (
    "use clean_points and strip_means, or average to one row per strip; points and parts of a strip are not "
    "replicates"
)


# ---- columns without a role


def ask_about(draft, known):
    """Refuse a file whose unused columns would change the answer if they are what they look like.

    Parameters
    ----------
    draft : Draft
    known : collection of str
        Headers the user says are none of the roles.
    """
    named = {header_key(header) for header in known}
    dry = "moisture" in draft.frame or "yield" not in draft.headers or draft.header("yield").dry
    for text, cells in draft.extra.items():
        if header_key(text) in named or read_header(text).role == OTHER:
            continue
        role = ""
        if "block" not in draft.frame and like_blocks(draft, cells):
            role = "block"
        elif not dry and _PERCENT.search(plain(text)):
            if says(text, "matter") and _between(cells, _DRY):
                draft.ask("like dry matter", text, in_code=say_column(OTHER, text))
            elif _between(cells, _MOIST):
                role = "moisture"
        if role:
            in_code = f"{say_column(role, text)} if it is, {say_column(OTHER, text)} if not"
            draft.ask(f"like {role}", text, in_code=in_code)


def _numbers(cells) -> pd.Series:
    """Numbers of a column, whatever its decimal mark."""
    return pd.to_numeric(cells.astype(str).str.replace(",", "."), errors="coerce")


def _between(cells, limits) -> bool:
    """Whether all numbers of a column lie between two limits."""
    numbers = _numbers(cells.dropna())
    return len(numbers) > 0 and bool(numbers.between(*limits).all())


# ---- a second factor crossed with the rates (hybrid, timing, another nutrient): no one curve may pool it


def check_second_factor(draft, known):
    """Refuse lines of one block and rate that a column tells apart, and a rate column that was left over.

    Parameters
    ----------
    draft : Draft
    known : collection of str
        Headers the user says are only remarks.
    """
    frame, named = draft.frame, {header_key(header) for header in known}
    columns = {
        text: _filled(draft, cells) for text, cells in draft.extra.items() if header_key(text) not in named
    }
    if "treatment" in frame and draft.treated != "treatment":
        columns[draft.text("treatment")] = frame["treatment"]
    further = {text: cells for text, cells in columns.items() if _is_further_rate(draft, text, cells)}
    if further and bool(np.all(same(sum(map(_numbers, further.values())), frame["rate"]))):
        columns = {
            text: cells for text, cells in columns.items() if text not in further
        }  # the rate is their sum
    for text, cells in columns.items():
        if text in further:
            taken = draft.text("rate")
            add, leave = say_column("rate", f"{taken} + {text}"), say_column(OTHER, text)
            draft.ask("second rate", text, taken=taken, add=add, leave=leave)
        elif not says(text, "measured", "part", "remark") and _crosses(draft, cells):
            _ask_about_factor(draft, text, cells)


def _filled(draft, cells):
    """Labels of merged cells on each of their lines; one block may end as the next begins."""
    block = draft.frame["block"].astype(str) if "block" in draft.frame else [""] * len(cells)
    labels = [f"{of} {label}" if pd.notna(label) else "" for of, label in zip(block, cells, strict=True)]
    return cells.ffill() if cells.dtype == object and is_merged(labels) else cells


def _is_further_rate(draft, text, cells) -> bool:
    """Whether a column is a rate too and varies within a trial, so that the one rate taken is not all."""
    numbers = _numbers(cells)
    if read_header(text).role != "rate" or "rate" not in draft.frame or numbers.isna().any():
        return False
    return bool(numbers.groupby(draft.place).transform("first").ne(numbers).any())


def _crosses(draft, cells) -> bool:
    """Whether a column tells lines of one place, block and rate apart, and does so at several rates."""
    frame, rates = draft.frame, draft.frame[draft.treated]
    numeric = pd.api.types.is_numeric_dtype(cells)
    most = _MOST_NUMBERS if numeric else _MOST_LEVELS
    if cells.isna().mean() > 0.25 or not 2 <= cells.nunique() <= most:
        return False
    by = [draft.place.rename("place"), *(frame[role] for role in draft.cell), rates]
    groups = cells.astype(str).groupby(by)
    several = groups.size() > 1
    if not several.any():
        return False
    levels = groups.nunique()[several]
    apart = (levels == cells.nunique()) if numeric else (levels > 1)
    if "block" not in frame:  # lines of one rate are replicates: a factor is as often at each level
        apart &= groups.agg(lambda held: len(set(held.value_counts())) == 1)[several]
    rates = rates.groupby(cells.astype(str)).nunique()
    return bool(apart.mean() >= _PARTS and (rates > 1).sum() > 1)


def levels_left_out(draft, known):
    """Tell of columns that are not used and whose levels each have a curve of their own, as zones have.

    `known` are headers the user says are only remarks.
    """
    named = {header_key(header) for header in known}
    if "rate" not in draft.frame or set(FACTORS) & set(draft.frame):
        return
    named.add(header_key(column_of_square(draft)))
    for text, cells in draft.extra.items():
        most = _MOST_NUMBERS if pd.api.types.is_numeric_dtype(cells) else _MOST_LEVELS
        if header_key(text) in named or says(text, "measured", "part", "remark") or cells.isna().any():
            continue
        rates = draft.frame["rate"].groupby([draft.place.rename("place"), cells.astype(str)]).nunique()
        often = rates[rates >= _CURVE].groupby(level="place").size()
        if len(often) and 2 <= often.max() <= most and rates.min() >= _CURVE:
            names = list(dict.fromkeys(cells.astype(str)))
            levels = f"{counted(len(names), 'level')} ({listed(names, 4)})"
            in_code = f"{say_column('factor', text)} to compare them"
            yield note("levels not compared", header=text, levels=levels, least=_CURVE, in_code=in_code)


def _ask_about_factor(draft, text, cells):
    levels = list(dict.fromkeys(cells.dropna().astype(str)))
    meant = {
        "factor": "to compare its levels", "trial": "to read each level as a trial of its own",
        "block": "if it names blocks",
    }  # fmt: skip
    typed = [f"{say_column(role, text)} {why}" for role, why in meant.items() if role not in draft.headers]
    typed.append(f"{say_column(OTHER, text)} if it is only a remark, so that its lines are averaged")
    blocks = "" if "block" in draft.headers else "; if it names blocks, write 'Block' as its header"
    beside = "treatments" if draft.treated == "treatment" else "rates"
    levels = f"{counted(len(levels), 'level')} ({listed(levels, 4)})"
    draft.ask("second factor", text, levels=levels, beside=beside, blocks=blocks, in_code="; ".join(typed))


# ---- harvest points and sub-samples: neither may pass for replicates


def coordinates(table, used=()) -> list[str]:
    """Return the columns of a table that hold both coordinates of a place, but for those used otherwise.

    Examples
    --------
    >>> import pandas as pd
    >>> from fertkit.intake.strip_checks import coordinates
    >>> coordinates(pd.DataFrame({"Longitude": [-93.1], "Latitude": [44.1], "rate_lb_ac": [0.0]}))
    ['Longitude', 'Latitude']
    """
    axes = {}
    for column in table:
        axis = -1 if column in used else _axis_of(str(column))
        if axis >= 0 and axis not in axes and pd.api.types.is_numeric_dtype(table[column]):
            axes[axis] = column
    return [axes[0], axes[1]] if len(axes) == 2 else []


@lru_cache(maxsize=1000)
def _axis_of(column: str) -> int:
    """Which coordinate a column names, -1 for none."""
    bare = plain(column.replace("_", " "))
    named = {bare, bare.removesuffix(" m").removesuffix(" deg")}
    return next((axis for axis, names in enumerate(_AXES) if named & names), -1)


def points_in(draft) -> Problem | None:
    """Return the problem of a file of harvest points; where every strip has as many parts, None."""
    table = pd.concat([draft.frame, pd.DataFrame(draft.extra)], axis=1)
    table = table[table["yield"].notna()]
    places = [*(c for c in PLACES if c in table), *draft.cell]
    why = why_no_strips(table, draft.treated, places, (draft.treated, "yield"))
    even = len(set(table.groupby([*places, draft.treated], dropna=False).size())) == 1
    points = why and (coordinates(table) or "strip" in table or not even) and "look like" not in why
    return Problem(why, REMEDY) if points else None


def why_no_strips(table, rate, places, used=()) -> str:
    """Say why the rows of a table are points or parts of strips; empty where they may be strips.

    Parameters
    ----------
    table : DataFrame
        Rows with a yield.
    rate : str
        Column of the rate or treatment.
    places : list of str
        Columns of blocks, sites and seasons.
    used : collection of str
        Columns of rate and yield, which are no coordinates.
    """
    places = [c for c in places if c in table]
    if not len(table):
        return ""
    usual = int(np.median(np.bincount(combined(table, [*places, rate]))))
    where = f"{counted(len(table), 'row')}, about {usual} for each {'block and ' * bool(places)}rate"
    placed = coordinates(table, used)
    if placed and usual >= (MANY_IN_BLOCK if places else MANY_PLACED):
        return f"{where}, with the coordinates {placed[0]} and {placed[1]}: these are harvest points"
    if usual >= (MANY_IN_BLOCK if "block" in places else MANY):
        return f"{where}: these are harvest points or parts of strips"
    named = any(c in table and c not in places for c in _NAMES)
    looks = "block" in places and usual >= 2 and not named
    if looks and table.groupby(places, dropna=False)[rate].nunique().median() > 1:
        return f"{where} and no column 'strip': these look like parts of strips"
    return ""


def combined(table, columns) -> np.ndarray:
    """Number the combinations of some columns [(n,) int]; a missing cell is one of the values."""
    code = 0
    for column in columns:
        codes, levels = pd.factorize(table[column], use_na_sentinel=False)
        code = code * len(levels) + codes
    return np.unique(code, return_inverse=True)[1]


# ---- rates that are one though written as two, and a rate written twice


def join_near_rates(draft) -> list[str]:
    """Give strips a planned rate where blocks hold slightly different rates in place of one; say which.

    Rates join where they lie close and no block holds two of them: 50 in some blocks and 50.4 in others.
    The curves keep the rates as given.
    """
    frame = draft.frame
    if (
        {"planned", "treatment"} & set(frame)
        or not {"rate", "block"} <= set(frame)
        or frame["rate"].isna().any()
    ):
        return []
    planned, joint = frame["rate"].copy(), {}
    for _, rows in frame.groupby(draft.place, sort=False):
        joined = _joined(rows)
        if joined is None:
            continue
        planned.loc[rows.index] = joined
        for rate, of in rows.groupby(joined)["rate"]:
            if len(set(of)) > 1:
                joint.setdefault(rate, set()).update(of)
    if not joint:
        return []
    frame["planned"] = planned
    draft.headers["planned"] = draft.headers["rate"]
    texts = [
        f"{', '.join(number(x, 4) for x in sorted(of))} as {number(rate, 4)}" for rate, of in joint.items()
    ]
    texts = "; ".join(texts[:6]) + "; and more" * (len(texts) > 6)
    return [
        f"rates that differ slightly between blocks are compared as one planned rate ({texts}); curves use "
        "actual rates"
    ]


def _joined(rows):
    """The planned rate of each strip of one place; None where the rates do not fall into groups."""
    rates = np.sort(rows["rate"].unique())
    near = APPLIED_OFF * rates[-1]
    apart = (np.diff(rates) > near) | (rates[:-1] == 0)
    group = rows["rate"].map(dict(zip(rates, np.cumsum([0, *apart]), strict=True)))
    n = int(apart.sum()) + 1
    often = rows.assign(group=group).groupby(["block", "group"])["rate"].nunique()
    if n == len(rates) or often.max() > 1 or (often.groupby(level="block").size() / n).min() < WHOLE:
        return None
    return group.map(rows.groupby(group)["rate"].agg(_usual))


def _usual(rates) -> float:
    """The rate most often given; the mean, to three digits, where none is."""
    often = rates.value_counts()
    if len(often) == 1 or often.iloc[0] > often.iloc[1]:
        return float(often.index[0])
    return float(f"{rates.mean():.3g}")


def check_written_twice(draft) -> list[str]:
    """Ask about a block that holds one rate twice and lacks another which the other blocks have.

    A rate that one block has alone, in place of one of the others', is only told.
    """
    frame, role = draft.frame, draft.treated
    if "block" not in frame or frame[role].isna().any() or role == "treatment":
        return []
    notes = []
    of = [draft.place.rename("place"), *(frame[role] for role in draft.cell if role != "block")]
    for _, rows in frame.groupby(of, sort=False):
        by_block = {block: Counter(of) for block, of in rows.groupby("block", sort=False)[role]}
        usual = _usual_rates(by_block.values())
        for block, rates in by_block.items() if usual else ():
            extra, missing = rates - usual, usual - rates
            if not extra or extra.total() != missing.total() or 2 * (rates & usual).total() < usual.total():
                continue
            lacks = ", ".join(map(number, missing))
            twice = [rate for rate in extra if rate in usual]
            for rate in twice:
                at = rows.index[(rows["block"] == block) & (rows[role] == rate)][-1]
                blanks = {"block": block, "rate": number(rate), "lacks": lacks}
                draft.problems.append(
                    problem("rate twice", draft.lines[at], draft.text(role), number(rate), **blanks)
                )
            elsewhere = sum((of for name, of in by_block.items() if name != block), Counter())
            if not twice and not extra & elsewhere:
                alone = ", ".join(map(number, extra))
                notes.append(
                    f"block {block} has {alone} where the other blocks have {lacks}: check that rate"
                )
    return notes


def _usual_rates(blocks):
    """The rates that half of the blocks or more hold alike, the fullest set first; None if there are none."""
    sets = Counter(tuple(sorted(rates.elements())) for rates in blocks)
    best = max(sets, key=lambda rates: (sets[rates], len(set(rates))))
    return Counter(best) if 2 * sets[best] >= sets.total() else None
