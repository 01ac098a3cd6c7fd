"""What was read from a file, told, left out and doubted."""

import numpy as np
import pandas as pd

from fertkit.intake.strip_moisture import trade_source
from fertkit.results import capital, counted, failed
from fertkit.say.line import Kind, Line, lead, marked, missing, told
from fertkit.units import ACRE_HA

_MOST = 8  # lines of one kind


def samples_lines(samples) -> list[Line]:
    """Say what was read from a laboratory's file."""
    nutrients = list(dict.fromkeys(samples.tidy["nutrient"]))
    n = samples.tidy["specimen"].nunique()
    said = [
        lead(f"{samples.name}: {counted(n, 'sample')}, {len(nutrients)} nutrients ({', '.join(nutrients)})")
    ]
    for what in ("inferred", "not used"):
        part = samples.report[samples.report["what"] == what]
        said += [told(f"{r.item}: {r.detail}", what) for r in part.head(_MOST).itertuples()]
        said += _more(len(part), what, "report")
    said += [
        missing("not read", f"{r.nutrient}, column '{r.column}': {r.why}")
        for r in samples.unread.itertuples()
    ]
    said += marked(Kind.NOTE, samples.notes[:_MOST]) + _more(len(samples.notes), "Note", "notes")
    return said + [told(text, "Check") for text in failed(samples.checks)[:_MOST]]


def _more(n, label, where):
    return [told(f"and {n - _MOST} more, see {where}", label)] if n > _MOST else []


def strip_trial_lines(trial) -> list[Line]:
    """Say what was read from a file of strips."""
    trials = trial.strips["trial"].nunique()
    blocks = trial.strips.groupby("trial")["block"].nunique() if "block" in trial.strips else pd.Series([0])
    span = f"{blocks.min()} to " * bool(blocks.min() < blocks.max()) + counted(blocks.max(), "block")
    held = f"{counted(len(trial.strips), 'strip')}, {counted(trials, 'trial')}, {_treatments(trial)}, {span}"
    said = [lead(f"{trial.name}: {held}."), told(f"{capital(yields_text(trial))}.")]
    return [*said, *marked(Kind.NOTE, trial.notes), *map(told, failed(trial.checks))]


def yields_text(trial) -> str:
    """Say how the yields of a file are taken."""
    how = "as the file gives them"
    if trial.standard_moisture_pct is not None:
        as_told = trial.report.loc[trial.report["item"] == "yields", "taken_as"].iloc[0]
        how = f"{as_told}{trade_source(trial.crop)[1]}"
    return f"yields [{trial.yield_unit}] {how}"


def _treatments(trial):
    if not trial.rate_column:
        return f"{counted(trial.strips['treatment'].nunique(), 'treatment')} without rates"
    rates = trial.strips[trial.rate_column].nunique()
    return f"{counted(rates, 'rate')} of {trial.nutrient or 'the product'} [{trial.rate_unit}]"


def yield_points_lines(log) -> list[Line]:
    """Say what was read from a log of harvest points."""
    area, yields = log.points["area_m2"], log.points[log.yield_column]
    good = yields.notna() & (area > 0)
    mean = float(np.average(yields[good], weights=area[good])) if good.any() else np.nan
    hectares = area.sum() / 1e4
    return [lead(
        f"{log.name}: {len(log.points)} points of {log.crop} over {hectares:.2f} ha "
        f"({hectares / ACRE_HA:.2f} ac); mean by area {mean:.1f} {log.yield_unit} at "
        f"{log.standard_moisture_pct:g} % moisture{trade_source(log.crop)[1]}."
    )]  # fmt: skip
