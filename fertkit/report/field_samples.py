"""Which samples of a laboratory's file are of which field."""

from dataclasses import replace

import pandas as pd

from fertkit.errors import NotEstimable, shorten, unknown
from fertkit.intake.context import pair_name
from fertkit.tissue.own_names import crop_or_own


def fields_of(samples, tests, crop, field, *, whole, unnamed):
    """Place and leaf samples of each field of the files, by a name of its own; of one field where asked."""
    of_soil = [] if tests is None else [n for n in dict.fromkeys(tests.levels["field"]) if n]
    alone = whole and field is None
    split = {} if samples is None else split_fields(samples, crop, alone, unnamed, tuple(of_soil))
    named = {place.casefold() for place, _ in split.values()}
    if field is not None or (not whole and (samples is None or len(of_soil) > 1)):
        split |= {name: (name, None) for name in of_soil if name.casefold() not in named}
    if field is None:
        return split or {"": ("", None)}
    chosen = {name: one for name, one in split.items() if one[0].casefold() == field.strip().casefold()}
    names = {place for place, _ in split.values()} - {""}
    if not chosen and not names:
        what = f"no field '{shorten(field)}': the files name no fields"
        raise NotEstimable(what, remedy="add a column Field, or leave the field out")
    if not chosen:
        raise unknown("field", field, names)
    return chosen


def of_field(samples, field: str):
    """Return the samples of one field of a leaf report, of all its crops."""
    chosen = fields_of(samples, None, None, field, whole=False, unnamed=False)
    return _only(samples, {one for _, held in chosen.values() for one in held.table["specimen"]})


def split_fields(samples, crop=None, whole=False, unnamed=False, known=()) -> dict:
    """Return place and samples of each field of a laboratory file, by a name of its own.

    Parameters
    ----------
    samples : TissueSamples
    crop : str, optional
        Only its samples.
    whole : bool
        All samples are of one field.
    unnamed : bool
        Names of samples are no names of fields, unless one is `known`.
    known : tuple of str
        Fields of the soil tests; a sample named as one of them is of it.

    Raises
    ------
    NotEstimable
        If the file holds no sample of the crop; names the crops it holds.
    """
    first = samples.table.drop_duplicates("specimen").set_index("specimen")
    if crop is not None:
        first = first[of_crop(samples.table, first["crop"], crop)]
    places = _places(first, unnamed, {name.casefold() for name in known})
    if whole:
        (name, *others) = dict.fromkeys(places)
        return {name: ("" if others else name, _only(samples, places.index))}
    mixed = first["crop"].groupby(places).transform("nunique") > 1
    names = places.mask(mixed, (places + ", " + first["crop"]).str.removeprefix(", "))
    each = dict(zip(names, places, strict=True))
    return {name: (place, _only(samples, names.index[names == name])) for name, place in each.items()}


def _places(first, unnamed, known):
    """The field of each specimen: as named, else its name as a soil test has it or without its mark."""
    each = [str(name).strip() for name in first["sample_id"]]
    each = [name if name.casefold() in known else pair_name(name)[0] for name in each]
    if unnamed and not first["field"].any() and not any(name.casefold() in known for name in each):
        return first["field"]
    names = pd.Series(each, index=first.index, dtype=object)
    names = names.where(names.str.contains(_A_NAME), "")
    return first["field"].mask(first["field"] == "", names)


_A_NAME = r"[^\W\d_]{3}"  # three letters in a row: 'A12' is the number of a sample, no place


def _only(samples, specimens):
    """The samples of some specimens."""
    tidy, lent = (part[part["specimen"].isin(specimens)] for part in (samples.tidy, samples.lent))
    return replace(samples, tidy=tidy.reset_index(drop=True), lent=lent)


def newest_of(samples):
    """Return the newest samples of each place of a field; all of them where none is older."""
    first = samples.table.drop_duplicates("specimen").set_index("specimen")
    place = first["field"] + "/" + first["area"] + "/" + [pair_name(str(n))[0] for n in first["sample_id"]]
    newest = first["sampled"].groupby(place).transform("max")
    old = first.index[first["sampled"] < newest]
    return _only(samples, first.index.difference(old)) if len(old) else samples


def of_crop(table, named, crop: str) -> pd.Series:
    """Tell which samples are of a crop.

    Raises
    ------
    NotEstimable
        If none is; names the crops of the table.
    """
    alike = named.map(crop_or_own) == crop_or_own(crop)
    if not alike.any():
        held = ", ".join(sorted(set(table["crop"]) - {""})) or "none named; add a column Crop"
        raise NotEstimable(f"the laboratory file holds no sample of {crop}; crops in it: {held}")
    return alike
