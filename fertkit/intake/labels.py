"""Names for the analyses of a report that no two share: 'North 80, 2024-07-18', 'Ridge 120, poor area'."""

import pandas as pd


def analysis_labels(frame: pd.DataFrame) -> pd.Series:
    """Return what to call each analysis: its sample_id, and where several share it, what tells them apart.

    Parameters
    ----------
    frame : DataFrame
        Tidy results with specimen and sample_id; area, sampled, crop, growth_stage, plant_part, lab_id and
        row are used where they are there.

    Returns
    -------
    Series
        By specimen.
    """
    first = frame.drop_duplicates("specimen").set_index("specimen")
    labels = first["sample_id"].astype(str)
    twice = first[labels.duplicated(keep=False)]
    if twice.empty:
        return labels
    name = twice["sample_id"].astype(str)
    text = name.copy()
    for mark in _marks(twice):
        count = text.groupby(name).transform("nunique")
        longer = text.where(mark == "", text + ", " + mark)
        better = longer.groupby(name).transform("nunique") > count
        text = text.mask(better, longer)
        if not text.duplicated().any():
            break
    return labels.where(~labels.index.isin(text.index), text.reindex(labels.index))


def _marks(first):
    """Texts that may tell analyses apart, the most telling first."""
    if "area" in first:
        yield first["area"].map(lambda area: f"{area} area" if area else "")
    if "sampled" in first:
        yield pd.to_datetime(first["sampled"]).dt.strftime("%Y-%m-%d").fillna("")
    for column in ("crop", "growth_stage", "plant_part"):
        if column in first:
            yield first[column].fillna("").astype(str)
    if "lab_id" in first:
        yield first["lab_id"].fillna("").map(lambda number: f"lab no. {number}" if number else "")
    if "row" in first:
        yield first["row"].map(lambda row: f"row {row:g}")
