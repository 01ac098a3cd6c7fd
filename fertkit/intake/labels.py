"""Names for the analyses of a report that no two share: 'North 80, 2024-07-18', 'Ridge 120, poor area'."""

from collections import Counter

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
    names = text = twice["sample_id"].astype(str).tolist()
    for column, write in _MARKS.items():
        if column not in twice or len(set(text)) == len(text):
            continue
        marks = [write(cell) if cell and cell == cell else "" for cell in twice[column]]
        longer = [f"{one}, {mark}" if mark else one for one, mark in zip(text, marks, strict=True)]
        now, then = (Counter(name for name, _ in set(zip(names, of, strict=True))) for of in (text, longer))
        text = [long if then[n] > now[n] else one for n, one, long in zip(names, text, longer, strict=True)]
    labels[twice.index] = text
    return labels


#: What may tell analyses apart, the most telling first, and how it is written.
_MARKS = {
    "area": "{} area".format, "sampled": lambda date: f"{pd.Timestamp(date):%Y-%m-%d}",
    "crop": str, "growth_stage": str, "plant_part": str, "lab_id": "lab no. {}".format,
    "row": "row {:g}".format,
}  # fmt: skip
