"""Dates as files write them. A date that can be read two ways is not read."""

import datetime as dt
import re

import pandas as pd

NO_ORDER = "day and month order is unclear; write dates like 2026-07-21"
BY_POINTS = "dmy: dates with points between the numbers are day.month.year"
_ORDERS = ("dmy", "mdy", "ymd")
_SERIAL_FROM, _SERIAL_TO = 20_000, 80_000  # spreadsheet day numbers of 1954 to 2119
_SLASHED = re.compile(r"(\d{1,4})\s*[/.\-]\s*(\d{1,2})\s*[/.\-]\s*(\d{1,4})(?:[ T]\d{1,2}:.*)?")
_NAMED = ("%d %b %y", "%d %b %Y", "%d %B %Y", "%b %d %Y", "%B %d %Y", "%Y %b %d")


def read_dates(cells, date_format: str | None = None) -> tuple[list, list[str], str]:
    """Read a column of dates.

    Parameters
    ----------
    cells : sequence of raw cells
    date_format : str, optional
        'dmy', 'mdy', 'ymd' or a strftime pattern. If None, the column tells by a day above 12; points
        between the numbers (05.07.2026) mean day, month, year where no day tells otherwise.

    Returns
    -------
    dates : list of Timestamp or NaT
    complaints : list of str
        One per cell, empty where the cell was read or blank.
    order : str
        How slashed dates were read, and by what; empty if there are none or they could not be told.
    """
    order = date_format if date_format in _ORDERS else ""
    pattern = date_format if date_format and not order else None
    if date_format:
        read, told = [_read(cell, order, pattern) for cell in cells], order
    else:
        votes, pointed = _day_orders(cells)
        order = votes.copy().pop() if len(votes) == 1 else ""
        of_points = order if votes else "dmy"
        read = [_read(cell, of_points if _pointed(cell) else order, pattern) for cell in cells]
        told = f"{order}: a day above 12 settles it" if order else ""
        if pointed and not votes:
            told = BY_POINTS
    return [date for date, _ in read], [complaint for _, complaint in read], told


def _day_orders(cells):
    """(Orders that days above 12 prove, whether any date has points between its numbers)."""
    votes, pointed = set(), False
    for cell in cells:
        hit = _SLASHED.fullmatch(cell.strip()) if isinstance(cell, str) else None
        if hit and len(hit[1]) < 3:
            first, second = int(hit[1]), int(hit[2])
            votes |= {"dmy"} if first > 12 else {"mdy"} if second > 12 else set()
            pointed |= _pointed(cell)
    return votes, pointed


def _pointed(cell):
    return isinstance(cell, str) and bool(re.match(r"\s*\d{1,2}\s*\.\s*\d{1,2}\s*\.", cell))


def _read(cell, order, pattern):
    if isinstance(cell, dt.date):
        return pd.Timestamp(cell).normalize(), ""
    if isinstance(cell, (int, float)):
        return (pd.NaT, "not a date") if isinstance(cell, bool) else _serial(float(cell))
    text = " ".join(("" if cell is None else str(cell)).split())
    if text.lower() in ("", "na", "n/a", "-", "--", "nan", "none"):
        return pd.NaT, ""
    if pattern:
        return _by_patterns(text, [pattern])
    hit = _SLASHED.fullmatch(text)
    if hit:
        return _by_order(hit, order)
    if re.fullmatch(r"\d{5}(\.\d+)?", text):
        return _serial(float(text))
    if re.fullmatch(r"\d{8}", text):
        return _by_patterns(text, ["%Y%m%d"])
    return _by_patterns(re.sub(r"[\s,-]+", " ", text), _NAMED)


def _serial(number):
    if not _SERIAL_FROM <= number <= _SERIAL_TO:
        return pd.NaT, "not a date"
    return pd.Timestamp("1899-12-30") + pd.Timedelta(days=int(number)), ""


def _by_order(hit, order):
    order = "ymd" if len(hit[1]) == 4 else order
    if not order:
        return pd.NaT, NO_ORDER
    year, month, day = (int(hit[1 + order.index(part)]) for part in "ymd")
    return _made(year + 2000 if year < 100 else year, month, day)


def _made(year, month, day):
    try:
        return pd.Timestamp(dt.date(year, month, day)), ""
    except ValueError:
        return pd.NaT, "not a date"


def _by_patterns(text, patterns):
    for pattern in patterns:
        try:
            date = dt.datetime.strptime(text, pattern)
        except ValueError:
            continue
        return _made(date.year, date.month, date.day)
    return pd.NaT, "not a date"
