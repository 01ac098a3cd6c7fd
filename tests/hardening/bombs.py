# ruff: noqa: E501
"""Files made to exhaust memory or time, each read by a process whose memory and time the system limits.

python tests/hardening/bombs.py        # one line of JSON a file: what the reader said, seconds, memory
"""

import io
import json
import os
import resource
import time
import zipfile
from functools import cache
from pathlib import Path

import numpy as np
import odf.opendocument
import openpyxl
import pandas as pd
import python_calamine

from fertkit.errors import FertkitError
from fertkit.intake import read_points, read_strips, read_tissue
from fertkit.reference import load_ranges

MEMORY, CPU_SECONDS = 1_000_000_000, 30  # bytes beyond what the interpreter and pandas hold; of one file
TEXT = b"Sample,N (%),K (%)\nA,4.9,1.8\n"
LOG = b"Longitude,Latitude,Flow (lb/s),Seconds,Distance (ft),Swath (ft),Moisture (%)\n"
ENTITIES = b'<!DOCTYPE s [<!ENTITY a "ha">' + b"".join(
    b'<!ENTITY %c "%s">' % (98 + i, b"&%c;" % (97 + i) * 10) for i in range(9)
) + b"]>"  # fmt: skip


def book(engine="openpyxl"):
    rows = [["Sample", "N (%)", "K (%)"], ["A", 4.9, 1.8], ["B", 5.1, 2.1]]
    stream = io.BytesIO()
    if engine == "odf":
        pd.DataFrame(rows).to_excel(stream, engine="odf", index=False, header=False)
        return stream.getvalue()
    made = openpyxl.Workbook()
    for row in rows:
        made.active.append(row)
    made.save(stream)
    return stream.getvalue()


def repacked(data, wanted, change):
    stream = io.BytesIO()
    packed = {"compression": zipfile.ZIP_DEFLATED, "compresslevel": 1}
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", **packed) as new:
        for part in old.namelist():
            new.writestr(part, change(old.read(part)) if wanted in part else old.read(part))
    return stream.getvalue()


def sheet(rows, old=b"</sheetData>"):
    return repacked(book(), "worksheets/", lambda xml: xml.replace(old, rows + (old if b"/" in old else b"")))


def ods(row):
    end = b"</table:table>"
    return repacked(book("odf"), "content.xml", lambda xml: xml.replace(end, row + end))


def ods_row(cells, rows=1, columns=1):
    return ods(
        b'<table:table-row table:number-rows-repeated="%d"><table:table-cell %s table:number-columns-repeated="%d">'
        b"%s</table:table-cell></table:table-row>" % (rows, cells[0], columns, cells[1])
    )


@cache
def zeros(claim=None):
    """A part of 400 MB of blanks; `claim` is the size the archive states for it."""
    stream = io.BytesIO(book())
    with zipfile.ZipFile(stream, "a", zipfile.ZIP_DEFLATED, compresslevel=1) as package:
        with package.open("xl/more.xml", "w") as part:
            for _ in range(400):
                part.write(b" " * 1_000_000)
        if claim is not None:
            package.getinfo("xl/more.xml").file_size = claim
            package._didModify = True
    return stream.getvalue()


@cache
def one_value(length):
    """A workbook with one value of an element, as long as is said."""
    return sheet(b'<row r="9"><c r="A9" s="' + b"0" * length + b'"><v>1</v></c></row>')


def lying(data, part="xl/worksheets/sheet1.xml"):
    """The same workbook, its archive stating a small size for a part."""
    stream = io.BytesIO(data)
    with zipfile.ZipFile(stream, "a") as package:
        package.getinfo(part).file_size = 1_000
        package._didModify = True
    return stream.getvalue()


@cache
def many_columns(rows):
    """A sheet of 16,000 columns of different names, packed without the help of a spreadsheet package."""
    names = b"".join(b'<c t="inlineStr"><is><t>name %d</t></is></c>' % i for i in range(16_000))
    line = b"<row>" + b"<c><v>1.5</v></c>" * 16_000 + b"</row>"
    return repacked(
        book(), "worksheets/",
        lambda xml: b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData><row>'
        + names + b"</row>" + line * rows + b"</sheetData></worksheet>",
    )  # fmt: skip


def long_text():
    cells = b'<row r="9">' + b'<c t="s"><v>0</v></c>' * 4_000 + b"</row>"
    stream = io.BytesIO(sheet(cells))
    with zipfile.ZipFile(stream, "a", zipfile.ZIP_DEFLATED) as package:
        package.writestr("xl/sharedStrings.xml", b"<sst><si><t>" + b"x" * 90_000 + b"</t></si></sst>")
    return stream.getvalue()


FLOAT, STRING = b'office:value-type="float" office:value="1"', b'office:value-type="string"'
TABLES = {
    "zip bomb": zeros,
    "zip bomb that lies about its size": lambda: zeros(claim=100),
    "zip of many files": lambda: book()[:-22] + b"PK\x01\x02" * 2_000,
    "cell at the far end": lambda: sheet(b'<row r="1000000"><c r="ZZ1000000"><v>1</v></c></row>'),
    "row number beyond any sheet": lambda: sheet(b'<row r="99999999999"', b'<row r="3"'),
    "long text shown in many cells": long_text,
    "row repeated a million times": lambda: ods_row((FLOAT, b""), 1_000_000, 4_096),
    "text repeated": lambda: ods_row((STRING, b"<text:p>" + b"x" * 90_000 + b"</text:p>"), 1, 4_000),
    "one value of 320 MB": lambda: one_value(320_000_000),
    "one value of 290 MB": lambda: lying(one_value(290_000_000)),
    "one text of 290 MB": lambda: lying(sheet(b"<x>" + b"x" * 290_000_000 + b"</x>")),
    "16,000 columns": lambda: many_columns(1),
    "16,000 columns of 300 rows": lambda: many_columns(300),
    "16,000 columns of text": lambda: (
        b"Sample,"
        + b",".join(b"x%d" % i for i in range(16_000))
        + b"\n"
        + (b"A" + b",1.5" * 16_000 + b"\n") * 40
    ),
    "entities in XLSX": lambda: repacked(
        book(), "worksheets/", lambda xml: xml.replace(b"<worksheet", ENTITIES + b"<worksheet")
    ),
    "entities in ODS": lambda: repacked(
        book("odf"), "content.xml", lambda xml: ENTITIES + xml[xml.index(b"<office") :]
    ),
    "a million columns": lambda: TEXT + b"1," * 490_000,
    "more columns still": lambda: TEXT + b"1," * 1_000_000,
    "one endless line": lambda: b"x" * 90_000_000,
    "one long line among short ones": lambda: TEXT + b"1," * 4_000 + b"\n" + b"x\n" * 500_000,
    "two million rows": lambda: TEXT + b"x\n" * 2_000_000,
    "larger than any table": lambda: b"x\n" * 60_000_000,
    "a file without end": lambda: Path("/dev/zero"),
    "size stated too large": lambda: sheet(b'<dimension ref="A1:XFD1048576"', b'<dimension ref="A1:C3"'),
    "far cell with a format only": lambda: sheet(b'<row r="1048576"><c r="XFD1048576" s="0"/></row>'),
    "cells far apart": lambda: sheet(b'<row r="16000"><c r="JJ16000"><v>1</v></c></row>'),
    "rows far apart": lambda: ods(
        b'<table:table-row table:number-rows-repeated="300"><table:table-cell/></table:table-row>'
        b'<table:table-row><table:table-cell table:number-columns-repeated="4000"/>'
        b'<table:table-cell office:value-type="float" office:value="1"/></table:table-row>'
    ),
    "padded to the end": lambda: ods_row((b"", b""), 1_048_570, 16_384),
    "blank rows": lambda: TEXT + b"\n" * 300_000,
    "words without end": lambda: TEXT + b"\n".join(b"w%x,u%x,v%x" % (i, i, i) for i in range(30_000)),
}
#: What strips and ranges are given too is made once.
AGAIN = ("zip bomb", "cell at the far end", "words without end", "one value of 290 MB", "16,000 columns",
         "16,000 columns of 300 rows", "16,000 columns of text")  # fmt: skip
TABLES |= {name: cache(TABLES[name]) for name in AGAIN}
LOGS = {
    "log: one endless line": lambda: b"x" * 90_000_000,
    "log: a million columns": lambda: LOG + b"1," * 1_000_000,
    "log: too many rows": lambda: LOG + b"\n" * 30_000_000,
}


def _ranges(make):
    Path("own.xlsx").write_bytes(make())
    return "own.xlsx"


CASES = (
    {name: (read_tissue, make) for name, make in TABLES.items()}
    | {f"strips: {n}": (read_strips, TABLES[n]) for n in AGAIN}
    | {f"ranges: {n}": (load_ranges, lambda n=n: _ranges(TABLES[n])) for n in ("zip bomb", "entities in XLSX")}
    | {name: (lambda data: read_points(data, crop="corn"), make) for name, make in LOGS.items()}
)  # fmt: skip


#: Files that are to be read or refused within so many seconds of the processor.
QUICK = {"one value": 2, "one text": 2, "16,000 columns": 3, "words without end": 15}


def read_limited(read, data, seconds=CPU_SECONDS) -> dict:
    held = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    resource.setrlimit(resource.RLIMIT_AS, (held + MEMORY,) * 2)
    spent = time.process_time()
    resource.setrlimit(resource.RLIMIT_CPU, (int(spent) + seconds,) * 2)
    try:
        said = f"read {len(read(data).table)}"
    except FertkitError as error:
        said = f"refused {error}"
    except BaseException as error:
        said = f"failed {type(error).__name__}: {error}"
    memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1000
    return {"said": said, "seconds": round(time.process_time() - spent, 2), "memory_mb": round(memory)}


def main():
    assert all((np, odf, openpyxl, python_calamine))  # loaded before memory is limited
    for name, (read, make) in CASES.items():
        data = make()
        if (child := os.fork()) == 0:
            seconds = next((QUICK[part] for part in QUICK if part in name), CPU_SECONDS)
            print(json.dumps({"name": name} | read_limited(read, data, seconds)), flush=True)
            os._exit(0)
        os.waitpid(child, 0)


if __name__ == "__main__":
    main()
