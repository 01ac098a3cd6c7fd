"""Cut the text of a table into cells, strictly: what a stray quote or comma would shift is named, never read.

A quote counts only where it opens a cell. Inside a cell it may be an inch mark or stand about a nickname.
"""

import re
from collections import Counter

from fertkit.errors import InputError, Problem
from fertkit.sizes import DELIMITERS, check_area

_HEAD = 300  # lines in which the delimiter and the usual number of cells are looked for
_SURE = 3  # cells in which a mark has to cut each line to be the one whatever else the lines hold
_LONGEST_HEADER = 12  # lines over which the quoted cells of one line of headers may run
_QUOTED = re.compile(r'"([^"]*(?:""[^"]*)*)"(?!")')
NUMBERISH = re.compile(r"[\s<>+-]*[.,]?[0-9][0-9.,\s]*%?\s*")
_STRAY = re.compile(r'(?<![0-9”])"|"(?=[^\W_])')  # a quote that is no inch mark
_INSIDE = "a quote inside a cell"
_OPEN = "a quote opens a cell here and does not close"
_MID = "a quote closes in mid-cell"
_LINE_END = "a quoted cell runs over several lines"
REMEDY = (
    "delete the quote, or close it before the next separator; write a quote inside a quoted cell "
    'twice (""), and keep each cell on one line'
)


def decode(data: bytes, name: str) -> tuple[str, str]:
    """Return the text of a file and its encoding: UTF-8, UTF-16 by its mark, else Windows-1252."""
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            candidates = (encoding,)
            break
    else:
        candidates = ("utf-8", "cp1252")
    if candidates[0] != "utf-16" and b"\x00" in data:
        raise InputError(name, [Problem("not a text table", "save it as CSV (UTF-8) or XLSX")])
    for encoding in candidates:
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    raise InputError(name, [Problem("unknown text encoding", "save it as CSV (UTF-8)")])


_DECIMAL = re.compile(r"[<>≤≥]?\s*[+-]?\d+,\d+")


def find_delimiter(lines: list[str]) -> str:
    """Return the mark that alone cuts all lines to one width, else most cells off them; '' if blanks do."""
    widths = {"": [len(re.split(r"\s{2,}", line.strip())) for line in lines[:_HEAD]]}
    for delimiter in DELIMITERS:
        widths[delimiter] = [_width(line, delimiter) for line in lines[:_HEAD]]
    counts = {d: Counter(w for w in found if w > 1).items() for d, found in widths.items()}
    most = {d: max(((w - 1) * n for w, n in found), default=0) for d, found in counts.items()}
    # The order settles ties: a comma inside a semicolon file is a decimal comma, blanks are padding.
    filled = sum(bool(line.strip()) for line in lines[:_HEAD])
    whole = [d for d in DELIMITERS if any(w >= _SURE and n == filled for w, n in counts[d])]
    best = whole[0] if len(whole) == 1 else max([*DELIMITERS, ""], key=lambda d: most[d])
    return ";" if best == "," and _decimal_commas(lines[:_HEAD]) else best


def _decimal_commas(lines) -> bool:
    """Whether semicolons cut the lines, and every comma of theirs stands inside a number."""
    cells = [line.split(";") for line in lines if line.strip()]
    inside = all("," not in cell or _DECIMAL.fullmatch(cell.strip(' "')) for row in cells for cell in row)
    return inside and min(map(len, cells), default=1) > 1


def cut(text: str, delimiter: str, name: str) -> list[list[str]]:
    """Cut a text into rows of cells, as a spreadsheet counts them.

    A header cell may hold line ends, as spreadsheets write them, and is read with blanks in their place.

    Parameters
    ----------
    text : str
        With ``\\n`` at the ends of lines.
    delimiter : str
        One character; '' where cells stand apart by two blanks or more.
    name : str
        Of the file, for messages.

    Raises
    ------
    InputError
        Naming each line on which a quote opens that does not close, closes in mid-cell or runs over lines.
    """
    lines = text.split("\n")
    if lines[-1] == "":
        lines.pop()
    if not delimiter:
        check_area(sum(1 for _ in re.finditer(r"\s{2,}", text)), 1, name)
        return [re.split(r"\s{2,}", line.strip()) for line in lines]
    if '"' not in text:
        return [line.split(delimiter) for line in lines]
    rows, problems, usual, at = [], [], None, 0
    while at < len(lines):
        cells, fault = cells_of(lines[at], delimiter)
        last = at
        if fault == _OPEN:
            usual = usual or _usual_width(lines, delimiter)
            cells, fault, last = _over_lines(lines, at, delimiter, usual)
        if fault:
            problems.append(Problem(fault, REMEDY, at + 1, value=lines[at]))
        rows.append(cells)
        at = last + 1
    if problems:
        raise InputError(name, problems)
    return rows


def cells_of(line: str, delimiter: str) -> tuple[list[str], str]:
    """Return the cells of one line, and what is wrong with its quotes ('' if nothing is)."""
    if '"' not in line:
        return line.split(delimiter), ""
    cells, place = [], 0
    while True:
        start = _after_blanks(line, place, delimiter)
        if line.startswith('"', start):
            quoted = _QUOTED.match(line, start)
            if not quoted:
                return cells, _OPEN
            end = _after_blanks(line, quoted.end(), delimiter)
            if end < len(line) and line[end] != delimiter:
                return cells, _MID
            cells.append(quoted[1].replace('""', '"'))
            if cells[-1].count('"') % 2 and _STRAY.search(cells[-1]):
                return cells, _INSIDE
        else:
            end = line.find(delimiter, place)
            end = len(line) if end < 0 else end
            cells.append(line[place:end])
            if '"' in cells[-1] and _STRAY.search(cells[-1]) and cells[-1].count('"') % 2:
                return cells, _INSIDE
        if end == len(line):
            return cells, ""
        place = end + 1


def _after_blanks(line, place, delimiter):
    while place < len(line) and line[place].isspace() and line[place] != delimiter:
        place += 1
    return place


def _width(line, delimiter):
    cells, fault = cells_of(line, delimiter)
    return line.count(delimiter) + 1 if fault else len(cells)


def _usual_width(lines, delimiter):
    """Number of cells, two or more, of most lines whose quotes close."""
    cut_alone = (cells_of(line, delimiter) for line in lines[:_HEAD])
    widths = Counter(len(cells) for cells, fault in cut_alone if len(cells) > 1 and not fault)
    return widths.most_common(1)[0][0] if widths else 1


def _over_lines(lines, at, delimiter, usual):
    """Cells of a line of headers or a title whose quoted cells hold line ends: (cells, fault, last line)."""
    text = lines[at]
    for last in range(at + 1, min(at + _LONGEST_HEADER, len(lines))):
        text += "\n" + lines[last]
        cells, fault = cells_of(text, delimiter)
        if fault == _MID:
            break
        if not fault:
            if _only_names(cells, delimiter, usual):
                return [" ".join(cell.split()) for cell in cells], "", last
            return lines[at].split(delimiter), _LINE_END, at
    return lines[at].split(delimiter), _OPEN, at


def _only_names(cells, delimiter, usual):
    """Whether a record over several lines is a line of headers or a lone title, and swallowed no row."""
    pieces = [piece for cell in cells for piece in re.split(rf"[\n{re.escape(delimiter)}]", cell)]
    if any(map(NUMBERISH.fullmatch, pieces)):
        return False
    broken = [cell for cell in cells if "\n" in cell]
    if any(re.search(rf"{re.escape(delimiter)}(?! \w)", cell) for cell in broken):
        return False  # a separator that no blank and word follow parts cells; a comma of prose has them
    return len(cells) >= usual > 1 or [cell for cell in cells if cell.strip()] == broken
