"""Measure an XLSX or ODS file before any reader unpacks it.

A workbook is a zip archive of XML. Its size on the disk says nothing about what a reader would build from it,
so each part is unpacked piece by piece, and the sheets are walked without keeping a cell.
"""

import io
import re
import sys
import zipfile
import zlib
from xml.parsers import expat

from fertkit.errors import InputError, Problem
from fertkit.sizes import (
    LARGEST_WORKBOOK,
    LEAST_FILLED,
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_PARTS,
    MOST_ROWS,
    ROOMY,
    too_large,
)

_PIECE = 1 << 16
_CELL = re.compile(r"([A-Z]{1,4})([0-9]{1,20})")
_FAR = "the cells of a sheet lie absurdly far apart"


def check_package(data: bytes, name: str) -> None:
    """Refuse a workbook that is broken, or would unpack to more than the limits of `fertkit.sizes`.

    Raises
    ------
    InputError
        Naming the limit that is broken, or that the file is not a readable spreadsheet.
    """
    if data.count(b"PK\x01\x02") > MOST_PARTS:
        raise too_large(name, f"the workbook is packed from more than {MOST_PARTS:,} files")
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            if "xl/workbook.bin" in package.namelist():
                raise InputError(name, [Problem("a binary workbook is not read", "save it as XLSX")])
            _walk(package, name)
    except _BROKEN as error:
        what = f"not a readable spreadsheet ({type(error).__name__})"
        raise InputError(name, [Problem(what, "save it again as XLSX or CSV")]) from None


_BROKEN = (
    zipfile.BadZipFile, zlib.error, expat.ExpatError, OSError, EOFError, NotImplementedError, RuntimeError,
    ValueError, KeyError, LookupError,
)  # fmt: skip


def _walk(package, name):
    left, longest, copies = LARGEST_WORKBOOK, 0, 0
    for part in package.infolist():
        # What the archive claims of a part's size is not believed: it is unpacked to its end or to the limit.
        part.file_size = sys.maxsize
        walker = None
        with package.open(part) as stream:
            while piece := stream.read(_PIECE):
                left -= len(piece)
                if left < 0:
                    limit = f"{LARGEST_WORKBOOK / 1e6:g} MB"
                    raise too_large(name, f"the workbook is larger than {limit} when unpacked")
                if walker is None:
                    walker = _Walker(name, part.filename)
                walker.feed(piece)
        if walker is not None:
            walker.close()
            longest, copies = max(longest, walker.longest), copies + walker.shared
    if longest * copies > LARGEST_WORKBOOK:
        raise too_large(name, "the texts of the cells are too long")


class _Walker:
    """Follow the XML of one part: how far its cells reach and how long its texts are.

    Attributes
    ----------
    longest : int
        Characters of the longest shared text.
    shared : int
        Cells that show a shared text.
    """

    def __init__(self, name, part):
        self.name, self.part = name, part
        self.longest = self.shared = 0
        self._parser = None
        self._strict = part.lower().endswith((".xml", ".rels"))
        self._row = self._column = self._reach = self._text = self._copied = 0
        self._rows = self._width = self._times = self._line_times = self._line_text = 0
        self._held = self._line_held = 0
        self._filled = self._inside = False

    def feed(self, piece: bytes) -> None:
        if self._parser is None:
            if not self._strict and not piece.lstrip(b"\xef\xbb\xbf\xff\xfe\x00 \t\r\n").startswith(b"<"):
                self._parser = False  # a picture or the like
                return
            self._parser = self._new_parser()
        if self._parser:
            try:
                self._parser.Parse(piece, False)
            except expat.ExpatError:
                if self._strict:
                    raise
                self._parser = False  # drawings of old are no proper XML

    def close(self) -> None:
        if self._parser and self._strict:
            self._parser.Parse(b"", True)

    def _new_parser(self):
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler, parser.EndElementHandler = self._start, self._end
        parser.CharacterDataHandler = self._characters
        parser.EntityDeclHandler = self._entity
        return parser

    def _entity(self, *_):
        what = "the workbook defines entities, which no spreadsheet does"
        raise InputError(self.name, [Problem(what, "save it again as XLSX or CSV")])

    def _start(self, tag, attributes):
        tag = tag.rpartition(":")[2]
        if self._inside:  # a cell that only carries a format holds nothing
            self._inside = False
            self._held += 1
            self._measure(self._row, self._column)
        if tag == "c":
            self._cell(attributes)
        elif tag == "row":
            self._row = self._number(attributes.get("r"), self._row + 1)
            self._column = 0
        elif tag == "si":
            self._text = 0
        elif tag in ("table-cell", "covered-table-cell"):
            self._times = self._number(attributes.get("table:number-columns-repeated"), 1)
            self._filled = any(key.endswith("value-type") for key in attributes)
            self._text = 0
        elif tag == "table-row":
            self._line_times = self._number(attributes.get("table:number-rows-repeated"), 1)
            self._column = self._reach = self._line_text = self._line_held = 0
        elif tag in ("table", "worksheet"):
            self._row = self._column = self._rows = self._width = self._held = 0

    def _end(self, tag):
        tag = tag.rpartition(":")[2]
        if tag == "c":
            self._inside = False
        elif tag == "si":
            self.longest = max(self.longest, self._text)
        elif tag in ("table-cell", "covered-table-cell"):
            self._column += self._times
            if self._filled or self._text:
                self._reach = self._column
                self._line_held += self._times
                self._line_text += self._times * self._text
        elif tag == "table-row":
            self._row += self._line_times
            if self._reach:
                self._held += self._line_held * self._line_times
                self._measure(self._row, self._reach)
                self._copy(self._line_times * self._line_text)
        elif tag in ("table", "worksheet"):
            self._fill()

    def _cell(self, attributes):
        place = _CELL.fullmatch(attributes.get("r", ""))
        self._column += 1
        if place:
            self._column = 0
            for letter in place[1]:
                self._column = self._column * 26 + ord(letter) - 64
            self._row = int(place[2])
        elif "r" in attributes:
            raise ValueError("no address of a cell")
        self._inside = True
        self.shared += attributes.get("t") == "s"

    def _characters(self, text):
        self._text += len(text)

    def _copy(self, characters):
        self._copied += characters
        if self._copied > LARGEST_WORKBOOK:
            raise too_large(self.name, "the texts of the cells are too long")

    def _number(self, text, otherwise) -> int:
        number = int(text) if text else otherwise
        if not 0 < number <= MOST_ROWS:
            raise too_large(self.name, _FAR)
        return number

    def _fill(self):
        spanned = self._rows * self._width
        if spanned > ROOMY and self._held < LEAST_FILLED * spanned:
            what = f"{_FAR}: they span {spanned:,} cells, of which {self._held:,} hold something"
            raise too_large(self.name, what)

    def _measure(self, row, column):
        self._rows, self._width = max(self._rows, row), max(self._width, column)
        if self._rows > MOST_ROWS or self._width > MOST_COLUMNS or self._rows * self._width > MOST_CELLS:
            raise too_large(self.name, f"{_FAR}: they span more than {MOST_CELLS:,} cells")
