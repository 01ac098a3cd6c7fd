"""Write tables in every container and shape the readers take."""

import io

import pytest


def _workbook(rows, kind):
    stream = io.BytesIO()
    if kind == "xlsx":
        import openpyxl

        book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        book.save(stream)
    elif kind == "xls":
        import xlwt

        book = xlwt.Workbook()
        sheet = book.add_sheet("results")
        for i, row in enumerate(rows):
            for j, cell in enumerate(row):
                sheet.write(i, j, cell)
        book.save(stream)
    else:
        from odf.opendocument import OpenDocumentSpreadsheet
        from odf.table import Table, TableCell, TableRow
        from odf.text import P

        book, table = OpenDocumentSpreadsheet(), Table(name="results")
        for row in rows:
            line = TableRow()
            for cell in row:
                if isinstance(cell, (int, float)):
                    line.addElement(TableCell(valuetype="float", value=cell))
                else:
                    box = TableCell(valuetype="string")
                    box.addElement(P(text=cell))
                    line.addElement(box)
            table.addElement(line)
        book.spreadsheet.addElement(table)
        book.write(stream)
    return stream.getvalue()


@pytest.fixture(scope="session")
def workbook():
    """Write rows of cells as xlsx, xls or ods bytes."""
    return _workbook
