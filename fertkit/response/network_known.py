"""What is known of the sites of a network, a soil test or the previous crop, as a design."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from fertkit.errors import InputError, Problem
from fertkit.results import plain


@dataclass(frozen=True)
class Known:
    """What is known of the sites, as a design: numbers and classes about their mean over the sites.

    A class is compared with the most frequent one, and the first column is a mean over sites all the same.
    """

    frame: pd.DataFrame

    @property
    def terms(self) -> list[str]:
        out = []
        for name, values in self.frame.items():
            out += (
                [name]
                if pd.api.types.is_numeric_dtype(values)
                else [f"{name}: {c}" for c in self.classes(name)[1:]]
            )
        return out

    def classes(self, name) -> list[str]:
        """Classes of a column, the most frequent first."""
        counts = self.frame[name].astype(str).value_counts()
        return sorted(counts.index, key=lambda c: (-counts[c], c))

    def design(self, frame: pd.DataFrame) -> np.ndarray:
        """Design (rows, 1 + terms) of sites."""
        columns = [np.ones(len(frame))]
        for name, values in self.frame.items():
            if pd.api.types.is_numeric_dtype(values):
                columns.append(frame[name].to_numpy(float) - values.mean())
            else:
                text, own = frame[name].astype(str), values.astype(str)
                columns += [(text == c).to_numpy(float) - (own == c).mean() for c in self.classes(name)[1:]]
        return np.column_stack(columns)

    def rows(self, given: Mapping | None = None) -> np.ndarray:
        """Design (sites, 1 + terms) of sites like these, of all of which something is given."""
        given = dict(given or {})
        problems = [
            Problem(f"no data on '{name}' at the sites", f"Of: {', '.join(self.frame) or 'nothing'}")
            for name in given if name not in self.frame
        ]  # fmt: skip
        for name in self.frame.columns.intersection(list(given)):
            values, value = self.frame[name], given[name]
            if pd.api.types.is_numeric_dtype(values):
                given[name] = float(pd.to_numeric(value, errors="coerce"))
                if not values.min() <= given[name] <= values.max():
                    span = f"{plain(values.min())} to {plain(values.max())}"
                    problems.append(
                        Problem(
                            "outside the range of the sites", f"Give a number from {span}", None, name, value
                        )
                    )
            elif str(value) not in self.classes(name):
                problems.append(
                    Problem("no site has it", f"One of: {', '.join(self.classes(name))}", None, name, value)
                )
        if problems:
            raise InputError("new site", problems)
        frame = self.frame.copy()
        for name, value in given.items():
            frame[name] = value
        return self.design(frame)


KNOWN_OF_SITES = "what is known of the sites"


def known_of(known: pd.DataFrame | None, names) -> Known:
    """Read what is known of each site, for all of them or not at all; numbers stay numbers."""
    if known is None:
        return Known(pd.DataFrame(index=names))
    frame, problems = known.set_axis(known.index.map(str)).reindex(names), []
    for name, values in frame.items():
        frame[name] = number = pd.to_numeric(values, errors="coerce")
        if number.isna().all():
            frame[name] = values
        lost = frame.index[frame[name].isna()]
        if len(lost):
            what = f"missing or not a number at {', '.join(lost[:6])}"
            problems.append(Problem(what, "Give it for every site, or leave the column out", None, name))
        elif (frame[name] == frame[name].iloc[0]).all():
            remedy = "Leave it out: it cannot explain differences between sites"
            problems.append(Problem("the same at every site", remedy, None, name))
    if problems:
        raise InputError(KNOWN_OF_SITES, problems)
    return Known(frame)
