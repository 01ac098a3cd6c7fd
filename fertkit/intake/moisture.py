"""What moisture harvested strips are stated at, and how their yields come to trade moisture."""

from fertkit.errors import FertkitError
from fertkit.reference.crops import load_crops, trade_moisture_pct
from fertkit.units import at_moisture


def trade_source(crop: str) -> tuple[str, str]:
    """Return the source key of a crop's trade moisture, and the mark to show with it (empty if found)."""
    row = load_crops().set_index("crop").loc[crop]
    how = row["moisture_provenance"]
    return row["moisture_source_key"], "" if how == "found" else f" ({how.replace('_', ' ')})"


def settle_stated(draft):
    """Move the moisture that a column says the yields are stated at into the header of the yield."""
    if "stated" not in draft.frame:
        return
    text, stated = draft.text("stated"), sorted(draft.frame["stated"].dropna().unique())
    harvest = draft.header("yield")
    if len(stated) != 1 or not 0 <= stated[0] < 100:
        draft.ask("several stated moistures", text, ", ".join(f"{v:g}" for v in stated[:4]) or None)
    elif harvest.at_pct not in (None, stated[0]):
        draft.ask("two stated moistures", text, header=f"{harvest.at_pct:g}", stated=f"{stated[0]:g}")
    else:
        draft.change("yield", dry=True, at_pct=float(stated[0]))


def settle_moisture(draft) -> str:
    """Bring moistures to percent of the wet weight, in place; return what was converted, '' if nothing."""
    if "moisture" not in draft.frame:
        return ""
    frame, header = draft.frame, draft.header("moisture")
    given = frame["moisture"].copy()
    gap = given.isna() & frame["yield"].notna() & ~draft.has_problem("moisture")
    draft.complain(gap, "moisture", "yield without moisture")
    full = 1.0 if header.fraction else 100.0
    if not header.dry_basis:
        key = "fraction of 1" if header.fraction else "moisture of 100"
        draft.complain(given >= full, "moisture", key, given)
        draft.complain(given == 0, "moisture", "moisture of 0", given)
    small = (given > 0) & (given < 1)
    if not header.fraction and small.any() and small.sum() == given.notna().sum():
        draft.ask("moistures below 1", header.text, f"{given.min():g} to {given.max():g}")
    elif not header.fraction:
        draft.complain(small, "moisture", "moistures below 1", given)
    percent = given * (100.0 / full)
    frame["moisture"] = 100 * percent / (100 + percent) if header.dry_basis else percent
    done = ["a fraction, converted to percent"] * header.fraction
    done += ["dry basis, converted to percent of the wet weight"] * header.dry_basis
    return "; ".join(done)


def standard_moisture(draft, crop) -> float | None:
    """Return the moisture to which yields are brought [%]; None where nothing is given to bring them from."""
    header, moist = draft.header("yield"), "moisture" in draft.frame
    if header.at_pct == 0 and header.unit == "bu/ac" and "%" not in header.text:
        draft.ask("dry bushels", header.text)
        return None
    if moist and header.at_pct == 0:
        draft.ask("dry matter beside moistures", header.text, other=draft.text("moisture"))
        return None
    if not moist and header.at_pct is None:
        return None
    if not crop:
        if not (header.dry and header.at_pct != 0) and not draft.problems:
            draft.ask(
                "moistures without crop", given="yields of dry matter" if header.at_pct == 0 else "moistures"
            )
        return None
    try:
        return trade_moisture_pct(crop)
    except FertkitError as error:
        if header.at_pct != 0:  # forage is sold and reckoned dry
            draft.ask("no trade moisture", what=error.plain)
        return None


def traded(frame, header, standard):
    """Return the yields at the standard moisture, and how they came there."""
    if standard is None and header.at_pct == 0:
        return frame["yield"], "read and kept as dry matter: the crop's trade moisture is unknown"
    if standard is None and header.at_pct is not None:
        return frame["yield"], f"at {header.at_pct:g} % moisture, as in the header"
    if standard is None:
        return frame["yield"], "as in the file, without moisture"
    if header.dry and header.at_pct is None:
        return frame["yield"], "at standard moisture, as stated; not adjusted"
    if not header.dry:
        adjusted = at_moisture(frame["yield"], frame["moisture"], standard)
        return adjusted, f"read as harvested and converted to {standard:g} % moisture"
    if header.at_pct == standard:
        return frame["yield"], f"at {standard:g} % moisture, as stated; not adjusted"
    dry = "read as dry matter (0 % moisture), converted"
    came = dry if header.at_pct == 0 else f"brought from {header.at_pct:g} %"
    return at_moisture(frame["yield"], header.at_pct, standard), f"{came} to {standard:g} % moisture"


def dried(draft, standard) -> list[str]:
    """Say what yields that are no longer as harvested need; [] if they were not brought to trade moisture."""
    header = draft.header("yield")
    if standard is None and header.at_pct:
        return [f"yields stay at {header.at_pct:g} % moisture, as stated; the file names no crop"]
    if standard is None or header.dry or "moisture" not in draft.frame:
        return []
    at = f"{standard:g} %"
    return [f"yields already at {at} moisture need the header 'Yield ({header.unit} at {at})'"]
