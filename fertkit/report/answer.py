"""What every answer can do: be read aloud, be handed over as a page, be kept as a workbook.

A new kind of answer is a frozen dataclass that builds sections; page, workbook and command line need no more.
"""

from pathlib import Path

import pandas as pd

from fertkit.asked import a_path, asks
from fertkit.report.page import render_page
from fertkit.report.sections import Section, checks_of
from fertkit.report.workbook import sources_sheet, workbook_bytes
from fertkit.results import Result
from fertkit.writing import named, write_whole


class Answer(Result):
    """Mixin for answers; subclasses provide ``title``, ``sections``, ``sources`` and ``table``."""

    @property
    def title(self) -> str:
        raise NotImplementedError

    @property
    def sections(self) -> list[Section]:
        raise NotImplementedError

    @property
    def checks(self) -> pd.DataFrame:
        """What was checked; `about` names of what."""
        return checks_of({})

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Tables of all sections, by their titles."""
        return {table.title: table.frame for section in self.sections for table in section.tables}

    @property
    def lead(self) -> list:
        """The short answer at the top of the page."""
        return self.lines()

    @property
    def sheet(self):
        """The answer as a grower reads it, where there is one (`fertkit.report.sheet.Sheet`)."""
        return None

    def page(self) -> str:
        """Return the answer as one self-contained HTML page."""
        sheet = self.sheet
        lead = () if sheet else self.lead
        return render_page(self.title, self.sections, lead=lead, sources=self.sources, sheet=sheet)

    def workbook(self) -> bytes:
        """Return the tables of the sections as XLSX, one a sheet."""
        tables = [table for section in self.sections for table in section.tables]
        return workbook_bytes([*tables, sources_sheet(self.sources)])

    @asks(path=a_path)
    def write_page(self, path) -> Path:
        """Write the page, whole or not at all."""
        return write_whole(self.page(), named(path, ".html"))

    @asks(path=a_path)
    def write_workbook(self, path) -> Path:
        """Write the tables of the sections as XLSX, one a sheet, whole or not at all.

        Raises
        ------
        FertkitError
            If openpyxl is not installed.
        OSError
            If the folder does not exist or cannot be written.
        """
        return write_whole(self.workbook(), named(path, ".xlsx"))
