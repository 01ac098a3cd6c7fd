"""What the commands share: options as the library takes them, strip files read as they say, answers given."""

from fertkit.errors import UnitError
from fertkit.intake.typed import pairs_of


def give(result, arguments, lines=None, table=None):
    """Write what was asked for, page, workbook or table; print the answer and what was written."""
    ways = {
        "page": ("Page with figures and sources", lambda path: _write_page(result, path)),
        "workbook": ("Workbook", lambda path: result.write_workbook(path)),
        "table": ("Table", lambda path: write_table(table, path)),
    }
    written = [
        f"{called}: {write(path)}"
        for name, (called, write) in ways.items()
        if (path := getattr(arguments, name, None))
    ]
    for line in [*(result.lines() if lines is None else lines), *written]:
        print(line)


def _write_page(result, path):
    from fertkit.plots import quick

    quick.load()
    return result.write_page(path)


def write_table(table, path):
    from fertkit.report.workbook import inert_table
    from fertkit.writing import write_whole

    return write_whole(inert_table(table).to_csv(index=False), path)


def asked_of(arguments, *names):
    """Options under the names the library gives them."""
    return {name: getattr(arguments, name) for name in names}


def units_typed(text):
    """Units as typed: one for the macronutrients, or nutrient=unit,nutrient=unit."""
    if not text or "=" not in text:
        return text
    return pairs_of(text, "rate=lb/ac,yield=bu/ac")


def reading_of(arguments):
    """How strip files are to be read: headers by role, units by role as in rate=lb/ac,yield=bu/ac."""
    units = units_typed(arguments.units) or {}
    if isinstance(units, str):
        raise UnitError(f"--units {units} names no column; write --units yield={units}")
    return asked_of(arguments, "sheet", "analysis", "density", "real_yields") | {
        "columns": columns_of(arguments), "units": units,
    }  # fmt: skip


def columns_of(arguments) -> dict[str, list]:
    """Headers by role, as typed."""
    columns: dict[str, list] = {}
    for role, header in arguments.column:
        columns.setdefault(role, []).append(header)
    return columns
