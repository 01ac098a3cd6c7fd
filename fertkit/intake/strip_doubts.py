"""Ask about columns of a strip file that play no role but look as if they should: blocks, moistures."""

import re

import pandas as pd

from fertkit.errors import Problem
from fertkit.intake.spellings import plain
from fertkit.intake.strip_headers import OTHER, header_key, read_header, say_column, states_dry_matter

#: Labels as blocks have them: 3, B, IV, R2, Rep 4.
_LABEL = re.compile(r"[a-z]{0,5}[ ._-]?\d{1,2}|[a-z]{1,4}", re.IGNORECASE)
#: A trial has no more blocks than this; grain is harvested between these moistures [%]; a block that lost a
#: strip still holds this share of the rates (common practice, no source).
_MOST_BLOCKS, _MOIST, _DRY, _WHOLE = 12, (5, 40), (60, 95), 0.75
_PERCENT = re.compile(r"%|\b(?:pct|percent|prozent|porcentaje)\b")


def ask_about(frame, extra, headers, known, problems):
    """Refuse a file whose unused columns would change the answer if they are what they look like.

    Parameters
    ----------
    frame : DataFrame
        Cells by role.
    extra : dict of str to Series
        Header -> cells of the columns without a role.
    headers : dict
        Role -> (column index, Header).
    known : collection of str
        Headers the user says are none of the roles.
    problems : list of Problem
    """
    named = {header_key(header) for header in known}
    for text, cells in extra.items():
        if header_key(text) in named or read_header(text).role == OTHER:
            continue
        if "block" not in frame and like_blocks(frame, cells):
            _ask(text, "block", "looks like blocks: each of its labels stands beside (nearly) every rate",
                 "Block", problems)  # fmt: skip
        elif (
            "moisture" not in frame
            and "yield" in headers
            and not headers["yield"][1].dry
            and _PERCENT.search(plain(text))
        ):
            if states_dry_matter(text) and _between(cells, _DRY):
                problems.append(Problem(
                    "looks like the dry matter of the grain, which is not read",
                    "put 'Moisture %', 100 less the dry matter, in its place; if it is something else, take "
                    "the column out of the file", column=text, in_code=say_column(OTHER, text),
                ))  # fmt: skip
            elif _between(cells, _MOIST):
                _ask(
                    text,
                    "moisture",
                    "looks like the moisture of the grain: 5 to 40 %",
                    "Moisture %",
                    problems,
                )


def _lacks_moisture(frame, headers) -> bool:
    return "moisture" not in frame and "yield" in headers and not headers["yield"][1].dry


def _ask(text, role, why, example, problems):
    problems.append(Problem(
        f"{why}, but the header is not known",
        f"if it is, write '{example}' as its header; if not, take the column out of the file", column=text,
        in_code=f"{say_column(role, text)} if it is, {say_column(OTHER, text)} if not",
    ))  # fmt: skip


def place_of(frame):
    """The trial of each strip, as trial, site and year together name it."""
    names = [frame[role].astype(str) for role in ("trial", "site", "year") if role in frame]
    return names[0].str.cat(names[1:], sep="\t") if names else pd.Series("", index=frame.index)


def treated_with(frame) -> str:
    """What tells the treatments of a file apart: the planned rate, the rate, or their names."""
    return next(role for role in ("planned", "rate", "treatment") if role in frame)


def like_blocks(frame, cells) -> bool:
    """Whether, within a trial, each of a few short labels stands beside nearly every rate, several times."""
    labels = cells.map(lambda label: str(label).strip(), na_action="ignore")
    if labels.isna().any() or not labels.drop_duplicates().map(_LABEL.fullmatch).map(bool).all():
        return False
    rates, place = frame[treated_with(frame)], place_of(frame)
    strips = pd.DataFrame({"place": place, "label": labels, "rate": rates})
    rates_of = strips.groupby("place")["rate"].nunique()
    held = strips[strips["place"].map(rates_of) > 1].groupby(["place", "label"])["rate"].nunique()
    whole = held.div(rates_of, level="place").groupby("place")
    return bool(((whole.min() >= _WHOLE) & whole.size().between(2, _MOST_BLOCKS)).any())


def _between(cells, limits) -> bool:
    """Whether all numbers of a column lie between two limits, whatever its decimal mark."""
    numbers = pd.to_numeric(cells.dropna().astype(str).str.replace(",", "."), errors="coerce")
    return len(numbers) > 0 and bool(numbers.between(*limits).all())
