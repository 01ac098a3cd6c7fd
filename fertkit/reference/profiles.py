"""Whose tables decide: studies chosen by name, by list or by region, left out, or kept in a profile file."""

import tomllib
from pathlib import Path

import pandas as pd

from fertkit.asked import a_path, asks
from fertkit.errors import InputError, Problem, one_of
from fertkit.reference.load import load_table
from fertkit.reference.regions import region_chain

KEYS = ("source", "without", "region")
OWN = "own"  # tables of the user's own, whatever they are of
LEAF = "leaf"  # part of a profile on the ranges of leaf tests


@asks(path=a_path)
def read_profile(path, part: str = "") -> dict:
    """Read a profile: which studies decide, as the arguments of the functions that ask for them.

    Parameters
    ----------
    path : path
        A TOML file with any of ``source`` (a key or a list of keys, the first leads), ``without`` (keys left
        out), ``region`` (studies of a region decide, the others are shown) and ``own`` (files of your own
        tables, found from the folder of the profile). What stands under ``[leaf]`` (source, without, region)
        is about the ranges of leaf tests; region and own are those of the file where it names none, source
        and without are never taken from above it.
    part : str
        'leaf' for what the file says of leaf tests.

    Returns
    -------
    dict
        Arguments source, without, region and own for `fertkit.nutrient_budget` and others.

    Raises
    ------
    InputError
        With every problem of the file; for leaf tests also if it names sources, but has no ``[leaf]``.
    """
    path = Path(path)
    try:
        profile = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        remedy = 'write lines such as: region = "US Midwest"'
        raise InputError(path.name, [Problem(f"not a profile ({error})", remedy)]) from None
    leaf = profile.pop(LEAF, None)
    if not isinstance(leaf, dict | None):
        problem = Problem("not a part of a profile", "write [leaf] on a line of its own", column=LEAF)
        raise InputError(path.name, [problem])
    problems = [*_wrong_choices(profile, (*KEYS, OWN)), *_wrong_choices(leaf or {}, KEYS, f"{LEAF}.")]
    if part == LEAF:
        if leaf is None:
            remedy = "write a line [leaf], and below it what leaf tests are to follow, if anything"
            problems += [Problem("speaks of removal and uptake, not of leaf tests", remedy, column=name)
                         for name in ("source", "without") if name in profile]  # fmt: skip
        profile = {name: profile[name] for name in ("region", OWN) if name in profile} | (leaf or {})
    if problems:
        raise InputError(path.name, problems)
    if OWN in profile:
        profile[OWN] = [path.parent / file for file in as_list(profile[OWN])]
    return profile


def as_typed(choices: dict) -> dict:
    """Give choices as a user would type them: files as text."""
    return choices | ({OWN: [str(file) for file in choices[OWN]]} if OWN in choices else {})


def by_family(choices: dict) -> tuple[dict, dict]:
    """Part choices of sources into those on needs and season, and those on leaf ranges; others serve both."""
    leaf_keys = set(load_table("ranges")["source_key"])
    needs, leaf = dict(choices), dict(choices)
    for name in ("source", "without"):
        keys = as_list(choices.get(name))
        carried = set(load_table("removal")["source_key"]) | set(load_table("uptake")["source_key"])
        parted = (
            [key for key in keys if key in carried or key not in leaf_keys],
            [key for key in keys if key in leaf_keys],
        )
        for part, mine in zip((needs, leaf), parted, strict=True):
            part.pop(name, None)
            part |= {name: mine} if mine else {}
    return needs, leaf


def _wrong_choices(held, choices, part=""):
    for name, value in held.items():
        texts = value if isinstance(value, list) and name != "region" else [value]
        if name not in choices:
            yield Problem("not a choice of a profile", one_of(choices), column=part + name)
        elif not all(isinstance(text, str) for text in texts):
            yield Problem("not a text", "write it in quotes; a list in brackets", column=part + name)


def as_list(keys) -> list[str]:
    """Give the keys of one key, several or none."""
    return [keys] if isinstance(keys, str) else list(keys or [])


def studies() -> pd.DataFrame:
    """Lineage and region of the sources for which they are known; index source_key."""
    return load_table("studies").set_index("source_key")


def lineage(keys: pd.Series) -> pd.Series:
    """The study behind each source key: copies and summaries of one study have one lineage."""
    known = studies()["lineage"].to_dict()
    return keys.map(lambda key: known.get(key) or key)


def studied_region(region: str | None) -> str | None:
    """Give the region of studies that holds a region or state; itself where no study is of it or around it.

    Raises
    ------
    LookupFailed
        If the region is not known.
    """
    known = set(studies()["region"])
    around = region_chain(region) if region else (None,)
    return next((name for name in around if name in known), around[0])
