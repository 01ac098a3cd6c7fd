"""Measure an XLSX or ODS file before any reader unpacks it, and note what cells show beyond their numbers.

A workbook is a zip archive of XML. Its size on the disk says nothing about what a reader would build from it,
so each part is unpacked piece by piece, and the sheets are walked without keeping a cell.
"""

import io
import posixpath
import re
import sys
import zipfile
import zlib
from array import array
from dataclasses import dataclass, field
from xml.parsers import expat

from fertkit.cell_formats import BUILT_IN, PERCENT, mark_of
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
_LONGEST_TEXT = 250_000  # bytes of one name, value or text of the XML; a cell holds 32,767 characters
_CELL = re.compile(r"([A-Z]{1,4})([0-9]{1,20})")
_MOST_MERGED = 100_000
FORMULA = "="
_LONGEST_ID = 40  # characters of a number as an ODS cell shows it
_LONG_TEXTS = "the texts of the cells are too long"
_LONG = "a text inside the workbook is absurdly long"
_FAR = "the cells of a sheet lie absurdly far apart"


@dataclass
class CellMarks:
    """Cells of one sheet that show more than the number they hold.

    Attributes
    ----------
    places : dict of str -> array
        Mark of a number format (`fertkit.cell_formats.mark_of`), or `FORMULA` where a formula has no value ->
        cells, as row times `MOST_COLUMNS` plus column, both from 0.
    merged : list of (int, int, int, int)
        First row, first column, last row and last column of cells merged into one, from 0.
    hidden : array of int
        Rows that are hidden or filtered away, from 0.
    """

    places: dict = field(default_factory=dict)
    merged: list = field(default_factory=list)
    hidden: array = field(default_factory=lambda: array("q"))

    def note(self, mark: str, row: int, column: int) -> None:
        """Add one cell; row and column count from 1."""
        self.places.setdefault(mark, array("q")).append((row - 1) * MOST_COLUMNS + column - 1)


def check_package(data: bytes, name: str) -> dict[str, CellMarks]:
    """Refuse a workbook that is broken, or would unpack to more than the limits of `fertkit.sizes`.

    Returns
    -------
    dict of str -> CellMarks
        By the name of the sheet.

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
            return _walk(package, name)
    except _BROKEN as error:
        what = f"not a readable spreadsheet ({type(error).__name__})"
        raise InputError(name, [Problem(what, "save it again as XLSX or CSV")]) from None


_BROKEN = (
    zipfile.BadZipFile, zlib.error, expat.ExpatError, OSError, EOFError, NotImplementedError, RuntimeError,
    ValueError, KeyError, LookupError,
)  # fmt: skip


def _walk(package, name):
    parts = sorted(package.infolist(), key=lambda part: not part.filename.endswith("styles.xml"))
    left, longest, copies = LARGEST_WORKBOOK, 0, 0
    if sum(part.file_size for part in parts) > left:
        raise _too_large_unpacked(name)
    walkers, formats = {}, {}
    for part in parts:
        # What the archive claims of a part's size is not believed: it is unpacked to its end or to the limit.
        part.file_size = sys.maxsize
        walker = None
        with package.open(part) as stream:
            while piece := stream.read(_PIECE):
                left -= len(piece)
                if left < 0:
                    raise _too_large_unpacked(name)
                if walker is None:
                    walker = walkers[part.filename] = _Walker(name, part.filename, formats)
                walker.feed(piece)
        if walker is not None:
            walker.close()
            longest, copies = max(longest, walker.longest), copies + walker.shared
    if longest * copies > LARGEST_WORKBOOK:
        raise too_large(name, _LONG_TEXTS)
    return _by_sheet(walkers)


def _too_large_unpacked(name):
    return too_large(name, f"the workbook is larger than {LARGEST_WORKBOOK / 1e6:g} MB when unpacked")


def _by_sheet(walkers) -> dict[str, CellMarks]:
    """Marks by the names of the sheets: an ODS part names its own, XLSX names them in another part."""
    marks = {sheet: held for walker in walkers.values() for sheet, held in walker.marks.items() if sheet}
    targets = {}
    for part, walker in walkers.items():
        home, file = posixpath.split(part)
        base = posixpath.join("/", posixpath.dirname(home))
        targets |= {
            (posixpath.join(base, file.removesuffix(".rels")), key): posixpath.join(base, target)
            for key, target in walker.targets.items()
        }
    for part, walker in walkers.items():
        for sheet, key in walker.sheets.items():
            target = posixpath.normpath(targets.get((posixpath.join("/", part), key), "/"))[1:]
            if target in walkers:
                marks[sheet] = walkers[target].marks.get("", CellMarks())
    return marks


def _place(address):
    """(row, column) of an address such as B3, from 1."""
    hit = _CELL.fullmatch(address)
    if not hit:
        raise ValueError("no address of a cell")
    column = 0
    for letter in hit[1]:
        column = column * 26 + ord(letter) - 64
    return int(hit[2]), column


class _Walker:
    """Follow the XML of one part: how far its cells reach and how long its texts are.

    Attributes
    ----------
    longest : int
        Characters of the longest shared text.
    shared : int
        Cells that show a shared text.
    marks : dict of str -> CellMarks
        By the name of the sheet, '' where the part does not tell it.
    sheets, targets : dict
        Name of a sheet -> key of its part; key -> part.
    """

    def __init__(self, name, part, formats):
        self.name, self.part, self.formats = name, part, formats
        self.longest = self.shared = 0
        self.marks, self.sheets, self.targets = {}, {}, {}
        self._marked, self._codes, self._list, self._waiting = CellMarks(), {}, "", []
        self._run = self._fed = 0
        self._formula = self._valued = False
        self._mark, self._kind, self._shown = "", "", None
        self._parser = None
        self._strict = part.lower().endswith((".xml", ".rels"))
        self._row = self._column = self._reach = self._text = self._copied = 0
        self._rows = self._width = self._times = self._line_times = self._line_text = 0
        self._held = self._line_held = 0
        self._filled = self._inside = self._away = False

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
                return
            self._fed += len(piece)
            # Each piece makes the parser read an unfinished name or value again from its start.
            if self._fed - self._parser.CurrentByteIndex > _LONGEST_TEXT:
                raise too_large(self.name, _LONG)

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
        self._run = 0
        if self._inside:  # a cell that only carries a format holds nothing
            self._inside = False
            self._held += 1
            self._measure(self._row, self._column)
        if tag == "c":
            self._cell(attributes)
        elif tag == "v":
            self._text = 0
        elif tag == "f":
            self._formula = True
        elif tag == "row":
            self._row = self._number(attributes.get("r"), self._row + 1)
            self._column = 0
            if attributes.get("hidden") in ("1", "true"):
                self._marked.hidden.append(self._row - 1)
        elif tag == "si":
            self._text = 0
        elif tag in ("table-cell", "covered-table-cell"):
            self._ods_cell(attributes)
        elif tag == "table-row":
            self._line_times = self._number(attributes.get("table:number-rows-repeated"), 1)
            self._column = self._reach = self._line_text = self._line_held = 0
            self._away = attributes.get("table:visibility") in ("collapse", "filter")
            self._waiting.clear()
        elif tag in ("table", "worksheet"):
            self._row = self._column = self._rows = self._width = self._held = 0
            self._marked = self.marks.setdefault(attributes.get("table:name", ""), CellMarks())
        else:
            self._describe(tag, attributes)

    def _describe(self, tag, attributes):
        """Formats of cells, and which part holds which sheet."""
        if tag in ("numFmts", "cellXfs", "cellStyleXfs", "dxfs"):
            self._list = tag
        elif tag == "numFmt" and self._list == "numFmts":
            self._codes[attributes.get("numFmtId")] = attributes.get("formatCode", "")
        elif tag == "xf" and self._list == "cellXfs":
            number = attributes.get("numFmtId")
            mark = mark_of(self._codes.get(number, BUILT_IN.get(number, "")))
            self.formats[str(len(self.formats))] = mark
        elif tag == "mergeCell":
            corners = list(map(_place, attributes.get("ref", "").split(":")))
            self._merge(*corners[0], *corners[-1])
        elif tag == "sheet":
            key = next((attributes[key] for key in attributes if key.endswith(":id")), "")
            self.sheets[attributes.get("name", "")] = key
        elif tag == "Relationship":
            self.targets[attributes.get("Id", "")] = attributes.get("Target", "")

    def _end(self, tag):
        tag = tag.rpartition(":")[2]
        self._run = 0
        if tag == "c":
            self._inside = False
            if self._formula and not self._valued:
                self._marked.note(FORMULA, self._row, self._column)
            elif self._mark and self._valued:
                self._marked.note(self._mark, self._row, self._column)
        elif tag == "v":
            self._valued |= self._text > 0
        elif tag == "si":
            self.longest = max(self.longest, self._text)
        elif tag in ("table-cell", "covered-table-cell"):
            self._wait()
            self._column += self._times
            if self._filled or self._text:
                self._reach = self._column
                self._line_held += self._times
                self._line_text += self._times * self._text
        elif tag == "table-row":
            self._row += self._line_times
            if self._reach:
                self._marked.hidden.extend(
                    range(self._row - self._line_times, self._row) if self._away else ()
                )
                self._held += self._line_held * self._line_times
                self._measure(self._row, self._reach)
                self._copy(self._line_times * self._line_text)
                self._mark_line()
        elif tag in ("table", "worksheet"):
            self._fill()

    def _cell(self, attributes):
        self._column += 1
        if "r" in attributes:
            self._row, self._column = _place(attributes["r"])
        self._inside, self._formula = True, False
        kind = attributes.get("t", "n")
        self._valued = kind == "str"  # a formula may give an empty text
        self.shared += kind == "s"
        self._mark = self.formats.get(attributes.get("s")) if kind == "n" else ""

    def _ods_cell(self, attributes):
        self._times = self._number(attributes.get("table:number-columns-repeated"), 1)
        kind = next((attributes[key] for key in attributes if key.endswith("value-type")), "")
        self._filled = bool(kind)
        self._text = 0
        down = self._number(attributes.get("table:number-rows-spanned"), 1)
        across = self._number(attributes.get("table:number-columns-spanned"), 1)
        if down > 1 or across > 1:
            self._merge(self._row + 1, self._column + 1, self._row + down, self._column + across)
        formula = any(key.endswith(":formula") for key in attributes)
        self._kind = "formula" if formula and not kind else kind
        self._shown = "" if kind == "float" else None

    def _merge(self, *corners):
        if len(self._marked.merged) >= _MOST_MERGED:
            raise too_large(self.name, f"more than {_MOST_MERGED:,} cells of a sheet are merged")
        self._marked.merged.append(tuple(corner - 1 for corner in corners))

    def _wait(self):
        """Keep what an ODS cell shows until its line ends; an id shown as 0099 has that text in the cell."""
        mark = PERCENT if self._kind == "percentage" else ""
        if self._kind == "float" and re.fullmatch("0[0-9]+", self._shown):
            mark = mark_of("0" * len(self._shown))
        if self._kind == "formula":
            mark = FORMULA
            self._reach = self._column + self._times
        if mark:
            self._waiting.append((mark, self._column, self._times))
        self._kind, self._shown = "", None

    def _mark_line(self):
        """Note the marked cells of a line of an ODS sheet, once for each line it stands for."""
        for mark, column, times in self._waiting:
            for row in range(self._row - self._line_times, self._row):
                for at in range(column, column + times):
                    self._marked.note(mark, row + 1, at + 1)

    def _characters(self, text):
        self._text += len(text)
        self._run += len(text)
        if self._run > _LONGEST_TEXT:
            raise too_large(self.name, _LONG)
        if self._shown is not None and len(self._shown) < _LONGEST_ID:
            self._shown += text

    def _copy(self, characters):
        self._copied += characters
        if self._copied > LARGEST_WORKBOOK:
            raise too_large(self.name, _LONG_TEXTS)

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
        if self._width > MOST_COLUMNS:
            raise too_large(self.name, f"a sheet has more than {MOST_COLUMNS:,} columns")
        if self._rows > MOST_ROWS or self._rows * self._width > MOST_CELLS:
            raise too_large(self.name, f"{_FAR}: they span more than {MOST_CELLS:,} cells")
