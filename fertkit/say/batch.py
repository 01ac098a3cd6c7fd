"""What a batch of trials or samples came to."""

from fertkit.response.status import Status, status_in_words
from fertkit.results import failed
from fertkit.say.line import Line, lead, notes, told

#: Statuses of an optimum as a sentence begins.
_STATUS = {
    Status.INTERIOR: f"Optimum {status_in_words(Status.INTERIOR)}",
    Status.TOP: "At least the highest rate tested",
    Status.STEP: "At most the first rate above the lowest",
    Status.NONE: "No economic response",
    Status.DIFFERENCE: "Two rates, a difference only (column 'message')",
}


def batch_lines(batch) -> list[Line]:
    """Say how many of what, what could not be used, and where the rows are."""
    good, bad = batch.counts.drop(Status.REFUSED, errors="ignore"), batch.counts.get(Status.REFUSED, 0)
    n = good.sum() + bad
    said = [lead(f"{n:,} {batch.kind if n != 1 else batch.kind[:-1]}: {good.sum():,} usable.")]
    if batch.kind == "trials":
        said += [told(f"{n:,}.", _STATUS.get(status, status)) for status, n in good.items()]
    elif len(batch.usable):
        each = ", ".join(f"{n:,} {called}" for called, n in batch.usable["class"].value_counts().items())
        said.append(told(f"Results, every source counted: {each}."))
    if bad:
        said.append(told(f"Not usable: {bad:,}; the reason stands in the column 'message'."))
    doubts = failed(batch.checks[batch.checks["check"] != Status.REFUSED])
    return [*said, *notes([*doubts, *batch.notes]), told(str(batch.file), "Table")]
