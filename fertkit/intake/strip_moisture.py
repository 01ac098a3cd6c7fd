"""What moisture harvested strips are stated at, and how their yields come to trade moisture."""

from dataclasses import replace

from fertkit.errors import FertkitError, Problem, typed
from fertkit.reference.crops import load_crops, trade_moisture_pct
from fertkit.units import at_moisture


def trade_source(crop: str) -> tuple[str, str]:
    """Source key of a crop's trade moisture, and the mark to show with it (empty if it was found)."""
    row = load_crops().set_index("crop").loc[crop]
    how = row["moisture_provenance"]
    return row["moisture_source_key"], "" if how == "found" else f" ({how.replace('_', ' ')})"


def settle_stated(frame, headers, problems):
    """Move the moisture that a column says the yields are stated at into the header of the yield."""
    if "stated" not in frame:
        return
    text, held = headers["stated"][1].text, sorted(frame["stated"].dropna().unique())
    at, harvest = headers["yield"]
    if len(held) != 1 or not 0 <= held[0] < 100:
        problems.append(Problem(
            "the yields of one file are stated at one moisture, from 0 to below 100 %",
            "write the same percent on every line, or leave the column out if the yields are as harvested",
            column=text, value=", ".join(f"{v:g}" for v in held[:4]) or None,
        ))  # fmt: skip
    elif harvest.at_pct not in (None, held[0]):
        problems.append(Problem(
            f"yields at {harvest.at_pct:g} % moisture by their header, at {held[0]:g} % by this column",
            "leave the wrong one out", column=text,
        ))  # fmt: skip
    else:
        headers["yield"] = at, replace(harvest, dry=True, at_pct=float(held[0]))


def settle_moisture(frame, header, problems, complain) -> str:
    """Bring the moisture column to percent of the wet weight, in place.

    Parameters
    ----------
    frame : DataFrame
        Strips with a column ``moisture`` as the file gives it.
    header : Header
    problems : list of Problem
    complain : callable
        ``complain(rows, what, remedy)`` reports rows of the column.

    Returns
    -------
    str
        What was converted, for the report; empty if nothing was.
    """
    moisture = frame["moisture"]
    full = 1.0 if header.fraction else 100.0
    if not header.dry_basis:
        complain(moisture >= full, f"moisture of {full:g}{'' if header.fraction else ' %'} or more",
                 "give a fraction below 1, or write '%' into the header" if header.fraction
                 else "give percent of the wet weight")  # fmt: skip
        complain(moisture == 0, "moisture of 0: no grain is harvested dry",
                 "fill in the moisture; write 'dry basis' into the header if it is one, or leave the column "
                 "out and name the yield 'dry matter yield'")  # fmt: skip
    if not header.fraction:
        small, told = (moisture > 0) & (moisture < 1), "moistures below 1 % look like fractions"
        remedy = "write 'fraction' into the header, or give percent"
        if small.any() and small.sum() == moisture.notna().sum():
            values = f"{moisture.min():g} to {moisture.max():g}"
            problems.append(Problem(told, remedy, column=header.text, value=values))
        else:
            complain(small, told, remedy)
    percent = moisture * (100.0 / full)
    frame["moisture"] = 100 * percent / (100 + percent) if header.dry_basis else percent
    said = ["a fraction, converted to percent"] * header.fraction
    said += ["dry basis, converted to percent of the wet weight"] * header.dry_basis
    return "; ".join(said)


def standard_moisture(frame, headers, crop, problems) -> float | None:
    """Moisture to which yields are brought [%]; None where the file gives nothing to bring them from."""
    header = headers["yield"][1]
    if header.at_pct == 0 and header.unit == "bu/ac" and "%" not in header.text:
        problems.append(Problem(
            "dry bushels may be bushels at trade moisture or bushels of dry matter",
            "write the moisture into the header: 'Yield (bu/ac at 15.5 %)', or 'at 0 %' for dry matter",
            column=header.text,
        ))  # fmt: skip
        return None
    if "moisture" in frame and header.at_pct == 0:
        problems.append(Problem(
            f"a dry-matter yield beside a column of moistures ('{headers['moisture'][1].text}')",
            "leave the moisture column out, or take 'dry' out of the header if the yield is as harvested",
            column=header.text,
        ))  # fmt: skip
        return None
    if "moisture" not in frame and header.at_pct is None:
        return None
    if not crop and header.dry and header.at_pct != 0:
        return None
    if not crop:
        if not problems:
            given = "yields of dry matter" if header.at_pct == 0 else "moistures"
            problems.append(Problem(
                f"the file gives {given} but not the crop, so the trade moisture is not known",
                "choose the crop, or add a column 'crop'", in_code=typed("--crop corn", "crop='corn'"),
            ))  # fmt: skip
        return None
    try:
        return trade_moisture_pct(crop)
    except FertkitError as error:
        if header.at_pct == 0:  # forage is sold and reckoned dry
            return None
        problems.append(
            Problem(error.plain, "state all yields at one moisture and leave the moisture column out")
        )
        return None


def traded(frame, header, standard):
    """Yields at the standard moisture, and how they came there."""
    if standard is None and header.at_pct == 0:
        return frame["yield"], "taken as dry matter and left so: no trade moisture is known for the crop"
    if standard is None and header.at_pct is not None:
        return frame["yield"], f"left at {header.at_pct:g} % moisture, as the header states them"
    if standard is None:
        return frame["yield"], "taken as they stand: no moisture to adjust from"
    if header.dry and header.at_pct is None:
        return frame["yield"], "said to be at standard moisture already; not adjusted"
    if header.dry:
        if header.at_pct == standard:
            return frame["yield"], f"stated at {standard:g} % moisture already; not dried again"
        told = f"{_from(header.at_pct)} to {standard:g} % moisture"
        return at_moisture(frame["yield"], header.at_pct, standard), told
    return at_moisture(frame["yield"], frame["moisture"], standard), f"brought to {standard:g} % moisture"


def dried(frame, headers, standard) -> list[str]:
    """Say that yields were brought to trade moisture from the moistures beside them; [] if they were not."""
    header = headers["yield"][1]
    if standard is None and header.at_pct:
        return [f"yields are left at {header.at_pct:g} % moisture, as stated; the file names no crop"]
    if standard is None or header.dry or "moisture" not in frame:
        return []
    told, at = f"'Yield ({header.unit} at {standard:g} %)'", f"{standard:g} % moisture"
    return [f"yields are taken as harvested and brought to {at}; head them {told} if they are dry"]


def _from(at_pct) -> str:
    return "taken as dry matter (0 % moisture), brought" if at_pct == 0 else f"brought from {at_pct:g} %"
