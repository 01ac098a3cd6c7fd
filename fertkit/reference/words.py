"""The trade's words and what the kit cannot do, in plain sentences."""

from difflib import get_close_matches

import pandas as pd

from fertkit.asked import asks
from fertkit.errors import LookupFailed, shorten, unknown
from fertkit.reference.facts import load_sheet


@asks()
def glossary(word: str | None = None) -> pd.DataFrame:
    """Explain the trade's terms.

    Parameters
    ----------
    word : str, optional
        Terms that contain it or are also called so (LOD, CV), whatever the case; all if None.

    Returns
    -------
    DataFrame
        term, also (other names and abbreviations), meaning, see (the function of fertkit that deals in it).

    Raises
    ------
    LookupFailed
        If no term contains the word; names those spelled much like it.

    Examples
    --------
    >>> from fertkit.reference import glossary
    >>> list(glossary("plateau").term)
    ['linear-plateau', 'plateau', 'quadratic-plateau']
    >>> list(glossary("LOD").term)
    ['limit of detection']
    """
    table = load_sheet("glossary")
    if word is None:
        return table.copy()
    wanted = " ".join(word.lower().split())
    terms = table["term"].str.lower()
    also = table["also"].str.lower().str.split("; ").map(lambda names: wanted in names)
    found = table[terms.str.contains(wanted, regex=False) | also]
    if found.empty:
        near = ", ".join(get_close_matches(wanted, terms, cutoff=0.5))
        like = f"; much like it: {near}" if near else ""
        raise LookupFailed(f"no term holds '{shorten(word)}'{like}")
    return found.reset_index(drop=True)


@asks()
def list_limits(topic: str | None = None) -> pd.DataFrame:
    """List what the kit cannot know, and what to do about it.

    Parameters
    ----------
    topic : {'budget', 'tissue', 'trials', 'response', 'safety'}, optional
        All topics if None.

    Returns
    -------
    DataFrame
        topic, about, limit, what_to_do.

    Raises
    ------
    LookupFailed
        For a topic that is none of these.

    Examples
    --------
    >>> from fertkit.reference import list_limits
    >>> list(list_limits("safety").about)
    ['Salt, ammonia and seed', 'Water', 'Forage', 'Manure', 'Advice']
    """
    table = load_sheet("limits")
    if topic is None:
        return table.copy()
    if topic not in set(table["topic"]):
        raise unknown("topic", topic, table["topic"].unique())
    return table[table["topic"] == topic].reset_index(drop=True)
