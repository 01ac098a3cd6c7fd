"""Where a source was worked out, and whether that is where the user's fields are."""

from functools import cache
from importlib.resources import files

import pandas as pd

from fertkit.errors import unknown

HOME = "North America"  # most bundled tables are from there


@cache
def _chains() -> dict[str, tuple[str, ...]]:
    """Each region with all that hold it, from the inside out."""
    with (files("fertkit.reference") / "regions.csv").open(encoding="utf-8") as handle:
        within = dict(pd.read_csv(handle, dtype=str, keep_default_na=False)[["region", "within"]].to_numpy())

    def chain(name):
        return (name, *chain(within[name])) if name in within else ()

    return {name: chain(name) for name in within}


def known_regions() -> list[str]:
    """List the regions of the table, those that hold others first."""
    return list(_chains())


def region_name(text: str) -> str:
    """Give the region of the table ``regions`` a text names, in any case.

    Raises
    ------
    LookupFailed
        If it is not known; lists the regions.
    """
    found = {name.casefold(): name for name in _chains()}.get(" ".join(str(text).split()).casefold())
    if found is None:
        raise unknown("region", text, sorted(_chains()))
    return found


def region_chain(text: str) -> tuple[str, ...]:
    """Give a region with all that hold it, from the inside out (Kansas, US Great Plains, US, ...)."""
    return _chains()[region_name(text)]


def in_region(regions: pd.Series, region: str | None = None) -> pd.Series:
    """Tell of each region of a source whether it holds `region` or lies in it; blank ones hold everywhere."""
    mine = region_name(region or HOME)
    chains = _chains()

    def fits(name):
        return not name or mine in chains.get(name, ()) or name in chains[mine]

    return regions.map({name: fits(name) for name in regions.unique()}).astype(bool)
