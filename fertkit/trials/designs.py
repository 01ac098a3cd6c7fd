"""How a trial is laid out, where its columns tell, and which analysis goes with it."""

from math import factorial

import numpy as np
import pandas as pd

from fertkit.errors import NotEstimable, unknown
from fertkit.intake.blocks_told import GRID_COLUMNS, GRID_ROWS, latin_square
from fertkit.intake.spellings import untreated
from fertkit.trials import linear
from fertkit.trials.strips import places, site_columns
from fertkit.trials.table import default_treatment, one_trial

#: Designs that can be asked for; those of two factors name two columns of treatments.
TWO_FACTORS = ("split plot", "strip plot", "factorial")
LATIN = "latin square"
DESIGNS = ("blocks", "pairs", LATIN, *TWO_FACTORS, "augmented", "near checks")
FEWEST_IN_SQUARE = 4  # blocks of three fall into a square by lot once in 18 trials; of four once in 576
#: A layout that lots give more often than this is not read from the places of the strips; a trial is
#: augmented where this share of its treatments stands once (common practice, no source).
BY_LOT, ONCE = 0.01, 0.5


def known_design(design) -> str:
    """Return the name of a design as this module writes it; a hyphen is as good as a space."""
    name = str(design).replace("-", " ").strip().lower()
    if name not in DESIGNS:
        raise unknown("design", design, DESIGNS)
    return name


def axes_of_square(trial, treatment, asked: bool) -> list[str] | None:
    """Return the columns of the rows and columns of a Latin square; None where the table is none.

    Raises
    ------
    NotEstimable
        If a Latin square is asked for and the table is none.
    """
    table = one_trial(trial)
    names = {str(c).lower(): c for c in table}
    axes = [next((names[n] for n in of if n in names), None) for of in ((*GRID_ROWS, "block"), GRID_COLUMNS)]
    treatment = treatment or default_treatment(table)
    square = None not in axes and treatment in table and latin_square(*(table[c] for c in (*axes, treatment)))
    if asked and not square:
        raise NotEstimable(
            "no Latin square: each treatment has to stand once in each row and once in each column",
            remedy="name the columns 'Row' and 'Column', or compare within blocks",
        )
    return axes if square and (asked or table[treatment].nunique() >= FEWEST_IN_SQUARE) else None


def two_factors(trial, treatment, design) -> tuple[str, str] | None:
    """Return the two columns of treatments of a trial of two factors; None where there is one."""
    if isinstance(treatment, list | tuple):
        if len(treatment) != 2:
            raise NotEstimable(f"{len(treatment)} treatment columns; an analysis compares one or two factors")
        return tuple(treatment)
    factor = getattr(trial, "factor", "")
    if factor and treatment is None:
        return factor, default_treatment(trial.table)
    if design in TWO_FACTORS:
        raise NotEstimable(
            f"a {design} has two factors, and one column of treatments is named",
            "treatment=[WHOLE, PART], or --column factor=HEADER",
            remedy="name the column of the second factor",
        )
    return None


def layout_of(trial, first, second, block, design) -> tuple[str, str, str, str]:
    """Return the layout of two factors: (layout, first, second, what told it).

    Raises
    ------
    NotEstimable
        If nothing tells: the test of each factor depends on the layout.
    """
    if design in TWO_FACTORS:
        return design, first, second, ""
    if getattr(trial, "whole", False):
        return "split plot", first, second, ""
    seen = _on_grid(one_trial(trial), first, second, block) or _in_line(
        one_trial(trial), first, second, block
    )
    if seen is None:
        first, second = ("the rate" if str(one).startswith("rate_") else one for one in (first, second))
        raise NotEstimable(
            f"two factors, {first} and {second}: the design is unclear: {first} on whole strips (split "
            "plot), each on its own strips (strip plot), or all combinations randomised (factorial)",
            "--design split-plot, strip-plot or factorial (design=...); --by names what lies on whole strips",
            remedy="name the design, or add plot numbers or rows and columns",
        )
    return seen


def _on_grid(table, first, second, block):
    """A strip plot, where rows carry one factor and columns the other in every block."""
    names = {str(c).lower(): c for c in table}
    row, column = (next((names[n] for n in axis if n in names), None) for axis in (GRID_ROWS, GRID_COLUMNS))
    if row is None or column is None:
        return None

    def alone(axis, factor):
        return table.groupby([block, axis])[factor].nunique().max() == 1

    for one, other in ((first, second), (second, first)):
        if alone(row, one) and alone(column, other) and min(table[one].nunique(), table[other].nunique()) > 1:
            return "strip plot", one, other, f"each row has one {one} and each column one {other}"
    return None


def _in_line(table, first, second, block):
    """The layout that the order of the plots shows, unless lots give it too often."""
    order = places(table, site_columns(table))[1]
    if order is None:
        return None
    runs = {}
    for one, other in ((first, second), (second, first)):
        blocks = [
            rows.loc[rows["_at"].sort_values().index] for _, rows in table.assign(_at=order).groupby(block)
        ]
        runs[one] = [rows[one].ne(rows[one].shift()).sum() == rows[one].nunique() for rows in blocks]
        a, b = table[one].nunique(), table[other].nunique()
        by_lot = factorial(a) * factorial(b) ** a / factorial(a * b)
        if all(runs[one]) and by_lot ** len(blocks) < BY_LOT:
            again = all(_one_order(rows, one, other) for rows in blocks)
            if not again:
                return "split plot", one, other, f"the plots of one {one} lie side by side in every block"
            if (2 / factorial(b) ** (a - 1)) ** len(blocks) < BY_LOT:
                said = f"in every block {other} keeps one order across the strips of {one}"
                return "strip plot", one, other, said
            return None
    none = not any(map(any, runs.values()))
    return ("factorial", first, second, "both factors change from plot to plot") if none else None


def _one_order(rows, one, other) -> bool:
    """Whether a factor keeps its order in every strip of another, or turns it from strip to strip."""
    orders = [list(strip[other]) for _, strip in rows.groupby(rows[one].ne(rows[one].shift()).cumsum())]
    turned = [order[::-1] if i % 2 else order for i, order in enumerate(orders)]
    return any(all(order == way[0] for order in way) for way in (orders, turned))


# ---- checks in every block, entries once


def augmented(trial) -> pd.Index:
    """Return the checks of an augmented layout: treatments of every block beside entries that stand once."""
    often = np.bincount(trial.codes)
    if not trial.blocking or trial.blocking[0][1].max() == 0 or (often == 1).mean() < ONCE:
        return trial.labels[:0]
    blocks = trial.blocking[0][1]
    held = [len(np.unique(blocks[trial.codes == code])) for code in range(len(often))]
    return trial.labels[(np.array(held) == blocks.max() + 1) & (often > 1)]


def checks_of(trial, check, checks):
    """Return the checks that a strip is set against: of the layout, the one named, or the untreated one."""
    named = untreated(trial.labels) if check is None else check
    if not len(checks) and named is None:
        raise NotEstimable("no treatment is named as the check", "check=...", remedy="say which one it is")
    return checks if len(checks) else [named]


def split_treatments(trial, checks, anova) -> pd.DataFrame:
    """Return the analysis of variance with the treatments parted: checks against entries, each among theirs.

    Federer (1956, Hawaiian Planters' Record 55:191-208, from memory): adjusted for blocks, in this order.
    """
    is_check = np.isin(trial.codes, np.flatnonzero(trial.labels.isin(checks)))
    own = linear.dummies(np.where(is_check, trial.codes + 1, 0))
    terms = [("checks against entries", is_check[:, None].astype(float)), ("among checks", own),
             ("among entries", trial.treatment_columns())]  # fmt: skip
    rows = linear.sequential_squares(trial.y, [*trial.terms(), *terms])
    table = linear.anova_table(rows).set_index("term").loc[[name for name, _ in terms]].reset_index()
    at = int(np.flatnonzero(anova["term"] == "treatment")[0]) + 1
    return pd.concat([anova.iloc[:at], table, anova.iloc[at:]], ignore_index=True)


def kinds_of_difference(trial, checks, pairs, reach) -> pd.DataFrame:
    """Return the least significant difference of each kind of pair of an augmented layout.

    Returns
    -------
    DataFrame
        comparison, pairs, sed, lsd: means over the pairs of the kind [yield unit].
    """
    home = pd.Series(trial.blocking[0][1]).groupby(trial.codes).first()
    home.index = trial.labels[home.index]
    many = pairs["first"].isin(checks).astype(int) + pairs["second"].isin(checks)
    names = ["two checks", "a check and an entry", "two entries of one block"]
    one = pairs["first"].map(home).to_numpy() == pairs["second"].map(home).to_numpy()
    kind = np.select([many == 2, many == 1, one], names, "two entries of different blocks")
    table = pairs.assign(comparison=kind, lsd=pairs["se"] * [reach(df) for df in pairs["df"]])
    means = {"pairs": ("se", "size"), "sed": ("se", "mean"), "lsd": ("lsd", "mean")}
    return table.groupby("comparison", sort=False).agg(**means).reset_index()
