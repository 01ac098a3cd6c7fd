"""Strips with the rates of several nutrients: whether these are crossed, and so one trial of all of them."""

from itertools import combinations

import numpy as np
import pandas as pd

from fertkit.intake.columns import OTHER, say_column
from fertkit.intake.strip_headers import read_header
from fertkit.results import plain
from fertkit.rounding import above, same
from fertkit.tables import text_of
from fertkit.units import AREA_RATE_KG_HA

#: What names the rate of one of several nutrients among the roles of a sheet: "rate of P2O5".
OF = "rate of "
#: A nutrient whose rates differ by no more than this share of the highest is the same on every strip, and
#: rates that go together as closely as this (squared correlation) are one (common practice, no source).
_SAME, _TOGETHER = 0.1, 0.95
_NONE = 1e-9  # share of a column left by the others below which it is one of them


def split_rates(candidates, taken) -> bool:
    """Give each of several columns the rate of its own nutrient; tell whether they name one each.

    Parameters
    ----------
    candidates : list of (int, Header)
        Columns that could be the rate.
    taken : dict
        Role -> column index; gets "rate" and "rate of ..." for the others.
    """
    nutrients = [header.nutrient for _, header in candidates]
    if "" in nutrients or len(set(nutrients)) < len(nutrients) or {"planned", "factor", "whole"} & set(taken):
        return False
    taken.pop("treatment", None)
    taken["rate"] = candidates[0][0]
    taken.update((f"{OF}{header.nutrient}", i) for i, header in candidates[1:])
    return True


def settle_nutrients(draft, analysis) -> list[str]:
    """Take each combination of rates as a treatment where the rates of several nutrients are crossed; say so.

    Where they are not, the file is refused: one trial cannot tell their effects apart.
    """
    more = [role for role in draft.headers if role.startswith(OF)]
    if not more:
        return []
    first = f"{OF}{draft.header('rate').nutrient}"
    draft.headers = {first if role == "rate" else role: of for role, of in draft.headers.items()}
    draft.frame = draft.frame.rename(columns={"rate": first})
    roles = [first, *more]
    headers, rates = [draft.header(role) for role in roles], draft.frame[roles]
    names = [header.nutrient for header in headers]
    texts = ", ".join(f"'{header.text}'" for header in headers)
    if analysis is not None:
        draft.ask("nutrient and analysis", nutrient=" and ".join(names))
    label = rates.map(plain).apply(
        lambda row: " + ".join(f"{n} {x}" for n, x in zip(names, row, strict=True)), axis=1
    )
    draft.frame["treatment"] = label
    draft.headers["treatment"] = draft.headers[first][0], read_header(" x ".join(names), "treatment")
    volume = next((h for h in headers if h.unit and h.unit not in AREA_RATE_KG_HA), None)
    why = f"'{volume.text}' is an amount of a product" if volume else ""
    if not why and not rates.isna().any(axis=None):
        blocks = draft.frame.get("block")
        whys = [_why(rows, blocks, names) for _, rows in rates.groupby(draft.place, sort=False)]
        why = "" if "" in whys else whys[0]
    if why:
        keep, leave = say_column("rate", headers[0].text), say_column(OTHER, headers[1].text)
        draft.ask("nutrients not crossed", names=texts, why=why, in_code=f"{keep} with {leave}")
        return []
    levels = " x ".join(str(rates[role].nunique()) for role in roles)
    return [
        f"read as one trial of {' and '.join(names)}: {texts} have a rate of each, in {label.nunique()} "
        f"combinations of {levels} rates"
    ]


def constant_rates(draft) -> dict[str, str]:
    """Columns of a rate above zero that is the same on every strip, beside the one analysed, with it."""
    rates = {text: set(map(text_of, cells)) for text, cells in draft.extra.items()}
    return {
        text: next(iter(rate))
        for text, rate in rates.items()
        if read_header(text).role == "rate" and len(rate) == 1 and not rate & {"", "0"}
    }


def _why(rates, blocks, names) -> str:
    columns = None if blocks is None else pd.get_dummies(blocks[rates.index], dtype=float).to_numpy()[:, 1:]
    return why_not_apart(rates.to_numpy(float), columns, names)


def why_not_apart(rates, blocks, names) -> str:
    """Say why the effects of several nutrients cannot be told apart; "" where they can.

    Parameters
    ----------
    rates : array (n, k)
    blocks : array (n, b) or None
        Columns of the blocks, beside one of ones.
    names : sequence of str

    Examples
    --------
    A blend at a fixed ratio:

    >>> from fertkit.intake.strip_nutrients import why_not_apart
    >>> import numpy as np
    >>> why_not_apart(np.array([[0, 0], [40, 20], [80, 40.0]]), None, ["N", "P2O5"])
    'N and P2O5 rise together as in a blend, 20 of P2O5 for every 40 of N'
    """
    for name, column in zip(names, rates.T, strict=True):
        low, high = column.min(), column.max()
        if high - low <= _SAME * high:
            return f"{name} is {plain(low)}{'' if same(low, high) else f' to {plain(high)}'} on every strip"
    for i, j in combinations(range(len(names)), 2):
        one, other = rates[:, i], rates[:, j]
        if same(one * other.max(), other * one.max(), scale=one.max() * other.max()).all():
            at = np.flatnonzero(one)[0]
            return (
                f"{names[i]} and {names[j]} rise together as in a blend, {plain(other[at])} of {names[j]} "
                f"for every {plain(one[at])} of {names[i]}"
            )
    ones = np.ones((len(rates), 1))
    rest = ones if blocks is None else np.column_stack([ones, blocks])
    for i, name in enumerate(names):
        others = np.column_stack([rest, np.delete(rates, i, axis=1)])
        if _left(rest, rates[:, i]) < _NONE:
            return f"{name} differs only between blocks"
        if _left(others, rates[:, i]) < (1 - _TOGETHER) * _left(rest, rates[:, i]):
            return f"the rates of {' and '.join(names)} follow each other closely"
    for i, j in combinations(range(len(names)), 2):
        pair = rates[:, [i]] * rates[:, [j]]
        if not independent(np.column_stack([rest, rates]), pair):
            return f"{names[i]} and {names[j]} were not combined, so their interaction is unknown"
    return ""


def _left(rest, column) -> float:
    """What others leave of a column, as a share of its own sum of squares."""
    off = column - rest @ np.linalg.lstsq(rest, column, rcond=None)[0]
    return float(off @ off / (column @ column))


def independent(rest, columns) -> list[int]:
    """Which columns hold something that those before them and `rest` do not, but for rounding."""
    q, r = np.linalg.qr(rest)
    kept, basis = [], q[:, np.abs(np.diag(r)) > _NONE]
    for i, column in enumerate(columns.T):
        column = column / (np.abs(column).max() or 1.0)
        left = column - basis @ (basis.T @ column)
        left -= basis @ (basis.T @ left)
        size = np.linalg.norm(left)
        if above(size, _NONE * np.sqrt(len(column))):
            kept.append(i)
            basis = np.column_stack([basis, left / size])
    return kept
