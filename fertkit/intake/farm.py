"""The files of a farm: fields, soil tests, shed and passes, each by itself or as sheets of one workbook."""

from dataclasses import dataclass
from functools import partial
from io import BytesIO
from pathlib import Path

from fertkit.asked import a_file, a_text, asks, headers_by_role
from fertkit.errors import FertkitError, InputError, Problem, typed
from fertkit.intake.columns import assign_roles, columns_by_file
from fertkit.intake.lists import read_field_table
from fertkit.intake.shed import Shed, read_shed
from fertkit.intake.soil import SoilTests, read_soil
from fertkit.tables import open_tables

BOOKS = (".xlsx", ".xls", ".ods")
#: Words in the names of sheets that hold a part.
SOIL, SHED = ("soil",), ("shed", "product")


@dataclass(frozen=True)
class FarmFiles:
    """What the plan of a farm rests on.

    Attributes
    ----------
    fields : path or bytes
        Table of fields, or the workbook that holds it.
    soil : SoilTests or None
    shed : Shed or None
    name : str or None
        Name of the file.
    """

    fields: object
    soil: SoilTests | None = None
    shed: Shed | None = None
    name: str | None = None

    @property
    def table(self):
        """The file of the fields, to be read again; messages call it by its name."""
        if not isinstance(self.fields, bytes):
            return self.fields
        again = BytesIO(self.fields)
        again.name = self.name or "table"
        return again


@asks(fields=a_file, soil=a_file, shed=a_file, passes=a_file, name=a_text, columns=headers_by_role)
def read_farm(
    fields, soil=None, shed=None, passes=None, *, name: str | None = None, columns=None, **reading
) -> FarmFiles:
    """Read the files of a farm; sheets named soil and shed (or products) of a workbook of fields count.

    Parameters
    ----------
    fields : path or file-like
        Table of fields, or a workbook with sheets of fields, soil, shed and passes.
    soil, shed, passes : path or file-like, optional
        Files of their own; they go before sheets.
    name : str, optional
        Name of the file, where `fields` is none.
    columns : dict, optional
        ``soil.``, ``shed.`` or ``passes.`` with a role → header, where headers do not tell.
    **reading
        How the soil tests are to be read where their file does not say: see `fertkit.intake.soil.read_soil`.

    Raises
    ------
    InputError
        With every problem of the soil tests and the shed; if two sheets could hold the same.
    """
    held = fields.read() if hasattr(fields, "read") else fields
    name = name or (Path(held).name if isinstance(held, str | Path) else None)
    sheets = _sheets(held, name)
    problems, read = [], {}
    own = columns_by_file(columns, ("soil", "shed", "passes"), "")
    assign_roles((), own[""], (), problems, None)
    goods = own["shed"] | {f"passes.{role}": header for role, header in own["passes"].items()}
    # a sample's name begins with its field
    read_tests = partial(read_soil, **{"fields": _names(held), "columns": own["soil"]} | reading)
    read_goods = partial(read_shed, columns=goods)
    for part, reader, given, words in (
        ("soil", read_tests, (soil,), SOIL), ("shed", read_goods, (shed, passes), SHED)
    ):  # fmt: skip
        try:
            if given[0] is not None:
                read[part] = reader(*given)
            elif sheet := _of(sheets, words, name):
                read[part] = reader(_again(held), sheet=sheet, name=name)
        except InputError as error:
            problems += error.of_file()
    if passes is not None and "shed" not in read and not problems:
        what, in_code = "passes without products: the plan ends at rates", typed("--shed FILE", "shed='FILE'")
        problems.append(Problem(what, "give the products too, or no passes", in_code=in_code))
    if problems:
        raise InputError("farm", problems)
    return FarmFiles(held, read.get("soil"), read.get("shed"), name)


def _names(held):
    """Names of the fields; what is wrong with their table is told when it is read for the plan."""
    try:
        frame = read_field_table(_again(held)).frame
    except FertkitError:
        return None
    return sorted(set(frame["field"].astype(str)) - {""}) or None if "field" in frame else None


def _again(held):
    return BytesIO(held) if isinstance(held, bytes) else held


def _sheets(held, name):
    if not str(name or "").casefold().endswith(BOOKS):
        return []
    return [table.sheet for table in open_tables(_again(held), name=name)]


def _of(sheets, words, name):
    named = [sheet for sheet in sheets if any(word in sheet.casefold() for word in words)]
    if len(named) > 1:
        what, remedy = f"sheets {' and '.join(named)} could hold the same", "rename all but one"
        raise InputError(name or "farm", [Problem(what, remedy)])
    return named[0] if named else None
