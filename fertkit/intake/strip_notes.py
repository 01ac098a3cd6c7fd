"""What is said of a file of strips: which rates count, units completed, columns left out, how it was read."""

import numpy as np
import pandas as pd

from fertkit.errors import Note
from fertkit.intake import strip_checks
from fertkit.intake.blocks_told import column_of_square
from fertkit.intake.columns import say_column
from fertkit.intake.spellings import listed, note, plain, spellings
from fertkit.intake.strip_columns import base, gives_unit
from fertkit.intake.strip_headers import MEASURED, RATES, read_header
from fertkit.intake.strip_nutrients import OF, constant_rates
from fertkit.intake.units import cell_parts

FEWEST_ALIKE = 3  # strips of a block with one yield that are no chance


def assumed_units(headers):
    """Say which units were completed from another column."""
    for _, header in dict.fromkeys(headers.values()):
        if header.assumed:
            yield f"'{header.text}' is read as {header.unit}: the file has no other area unit"


def which_rates(draft):
    """Say which of two columns of rates a curve rests on, and that names of treatments give no curve."""
    if set(RATES) <= set(draft.headers):
        rate, plan = map(draft.text, RATES)
        yield f"curves use the rates of '{rate}'; treatments are those planned in '{plan}'"
    if "rate" not in draft.headers and not any(role.startswith(OF) for role in draft.headers):
        text = draft.text("treatment")
        numbered = sum(bool(cell_parts(str(label), "rate")[2]) for label in set(draft.frame["treatment"])) > 1
        key = "numbered treatments" if numbered else "treatments alone"
        yield note(key, header=text, in_code=say_column("rate", text))


def unused_columns(draft):
    """Name the columns that no answer rests on; a column of units that was read is used."""
    headers = draft.headers
    unitless = [role for role in MEASURED if role in headers and not read_header(draft.text(role)).unit]
    constant, square = constant_rates(draft), column_of_square(draft)
    for text, rate in constant.items():
        yield f"'{text}' is {rate} on every strip: the answer applies at that rate"
    unused = [
        text for text in draft.extra
        if text not in constant and text != square and plain(text) not in spellings("strip left out")
        and not any(gives_unit(text, role) for role in unitless)
    ]  # fmt: skip
    if unused:
        yield not_used(unused)


def not_used(headers) -> str:
    """Say which columns no answer rests on."""
    return f"not used: column{'s' * (len(headers) > 1)} {', '.join(map(repr, headers))}"


def one_yield_in_a_block(table, lines):
    """Name blocks of three strips or more that all yield the same: seldom so where each was measured."""
    if "block" not in table:
        return
    blocks, places = {}, [table[column] for column in ("trial", "block") if column in table]
    for line, value, *place in zip(lines, table.filter(like="yield_").iloc[:, 0], *places, strict=True):
        if value == value:
            blocks.setdefault(tuple(place), []).append((line, value))
    for place, yields in blocks.items():
        if len(yields) >= FEWEST_ALIKE and len({value for _, value in yields}) == 1:
            at = listed(list(dict.fromkeys(line for line, _ in yields)), 12, " and more")
            said = (
                f"all strips of block {place[-1]} have one yield (lines {at}): check that each was measured"
            )
            yield Note(said, trials=map(str, place[:-1]))


def reading_table(draft, crop, how, wet) -> pd.DataFrame:
    rows = [
        (f"column '{h.text}'", h.unit or "", f"{base(role)}{f' of {h.nutrient}' if h.nutrient else ''}")
        for role, (_, h) in draft.headers.items()
    ]
    rows += [(f"column '{text}'", "", "kept as it is") for text in draft.extra]
    rows += [("crop", crop or "not given", crop or "not given"), ("yields", draft.text("yield"), how)]
    rows += [("moistures", draft.text("moisture"), wet)] if wet else []
    return pd.DataFrame(rows, columns=["item", "found", "taken_as"])


def checks_of(table, lines):
    """What a reader should know of strips that are usable all the same."""
    lost = table.filter(like="yield_").iloc[:, 0].isna()
    words = "every strip has a yield", "lost strips: means are adjusted"
    rows = [_check("strips without a yield", lost, lines, *words)]
    planned = table.filter(regex="^planned_")
    if len(planned.columns):
        aim, given = planned.iloc[:, 0], table.filter(regex="^rate_").iloc[:, 0]
        off = (given - aim).abs() > strip_checks.APPLIED_OFF * aim.abs().max()
        fails = "applied and planned rates differ: curves use the applied rate, comparisons the planned one"
        rows.append(_check("applied as planned", off, lines, "the rates applied are those planned", fails))
    if "block" not in table:
        rows.append(("blocks", 0, ">= 2", False, strip_checks.NO_BLOCKS))
    return rows


def _check(name, bad, lines, holds, fails):
    at = [lines[i] for i in np.flatnonzero(bad)]
    where = f"line{'s' * (len(at) > 1)} {listed(at, 12, ' and more')}"
    return name, len(at), "0", not at, (holds, f"{fails} ({where})")
