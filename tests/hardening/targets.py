# ruff: noqa: E501
"""What is damaged, how, and who has to read it."""

import io
import json
import re
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import known
import pandas as pd

import fertkit
from fertkit.budget import farm_budget
from fertkit.cli import main
from fertkit.errors import FertkitError
from fertkit.intake import read_points, read_shed, read_soil, read_strips, read_tissue
from fertkit.intake.shed import read_passes
from fertkit.reference import load_ranges

LEAVES = [
    "Sample,Crop,Stage,Plant part,N (%),P (%),K (%),Zn (ppm)\nA-1,soybean,R2,upper trifoliate leaf,4.9,.33,1.8,33\n"
    "B-2,corn,R1,ear leaf,3.1,0.28,<0.05,ND\n",
    "Grower: North Creek\nCrop: corn\nSampled: 03/04/2024\n\nSample;N;P;K;Zn\n;%;%;%;mg/kg\n007;3,21;0,25;2,1;22\n"
    "008;2,9;0,31;1,85;31\n",
    "Sample\tAnalyte\tResult\tUnits\nA\tN\t3.2\t%\nA\tZn\t22\tppm\nB\tN\t2.9\t%\nB\tZn\t31\tppm\n",
    "Nutrient|Unit|A-01|007\nN|%|3.21|2.9\nK|%|2.1|1.85\nZn|ppm|22|31\n",
]
STRIPS = [
    "Block,Rate (lb/ac),Yield (bu/ac)\n1,0,50\n1,50,55\n1,100,58\n2,0,51\n2,50,56\n2,100,57\n",
    "Trial;Rep;Strip;K2O rate (kg/ha);Yield (t/ha);Moisture (%)\nNorth;1;1;0;3,1;14,1\nNorth;1;2;60;3,4;14,0\n"
    "North;2;3;0;3,0;13,9\nNorth;2;4;60;3,5;14,2\n",
]
SOILS = [
    "Field,Zone,Sampled,Depth (in),pH,OM %,CEC meq/100g,Bray-1 P ppm,P rating,K ppm (NH4OAc),Zn DTPA ppm\n"
    "North,A,2025-10-14,0-6,6.3,3.1,16,14,L,131,0.7\nNorth,B,2025-10-14,0-6,6.5,2.9,15,<1,VL,>200,ND\n",
    "Extractant: Mehlich 3\nSampled: 03/04/2024\nDepth: 0-8 in\n\nSample;P;K;S\n;ppm;ppm;ppm\n007-1;18,5;141;9\n007-2;22;150;8\n",
    "Field\tTest\tMethod\tResult\tUnits\nA\tP\tOlsen\t9.5\tppm\nA\tK\tammonium acetate\t300\tlb/A\nA\tpH\t1:1\t7.1\t\n",
    "Test|North|South\nP Mehlich-3 ICP (ppm)|34|18\nK M3 (mg/kg)|190|128\npH|6.6|6.1\n",
]
SHEDS = [
    "Product,N %,P2O5 %,K2O %,Form,Density (lb/gal),Price,Price unit,On hand,Lot,Seed row (gal/ac)\nMAP,,,,,,780,ton,12 ton,24 ton,\n"
    "UAN 32,,,,,,1.9,gal,,,\nRow 7-21-7,7,21,7,liquid,11.1,4.15,gal,,275 gal tote,5\n",
    "Product;Price €/t;On hand (t)\nHarnstoff;420,5;4,5\nDAP 18-46-0;690;\n",
]
PASSES = "Pass,Method,Cost ($/ac),Earliest,Latest,Max products\nspread,broadcast,7.50,fall,preplant,3\nsidedress,Y-drop,12,V4,V8,\n"
POINTS = "Longitude,Latitude,Flow (lb/s),Seconds,Distance (ft),Swath (ft),Moisture (%),Pass\n" + "".join(
    f"{-93.498 + i * 2.4e-5:.6f},42.002,{20 + i % 3},1,6.5,30,15.{i % 10},1\n" for i in range(120)
)
RANGES = (
    "source_key,crop,stage_from,stage_to,plant_part,nutrient,unit,low,high,critical,provenance,confidence\n"
    "OWN,soybean,R1,R3,upper trifoliate leaf,K,%,1.5,2.5,,found,high\nOWN,corn,R1,R1,ear leaf,N,%,2.8,3.5,,found,high\n"
)
FARM = "field,crop,area_ac,yield_goal,yield_unit,residue\nNorth,soybean,80,60,bu/ac,kept\nSouth,corn,120,12,t/ha,0.5\n"
CORNERS = [[-93.5, 42.0], [-93.49, 42.0], [-93.49, 42.005], [-93.5, 42.005], [-93.5, 42.0]]
BOUNDARY = json.dumps(
    {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [CORNERS]}}
)
SHAPES = json.dumps({
    "type": "FeatureCollection",
    "features": [
        {"type": "Feature", "properties": {"strip": n, "block": 1, "rate_lb_ac": 50 * n},
         "geometry": {"type": "Polygon", "coordinates": [[[a, b + n * 0.1] for a, b in CORNERS]]}} for n in (0, 1)
    ],
})  # fmt: skip

LONGEST_MESSAGE = 20_000
PIECES = [
    b"\x00", b"\xef\xbb\xbf", b"\xff\xfe", "\u202e".encode(), b"\x1b[31m", b"\r", b"\n\n\n", b"\n" * 3000, b'"', b'""' * 40,
    b"'", b"nan", b"inf", b"-inf", b"1e308", b"-1e999", b"9" * 400, b"1e-320", b"-0", b"0x1F", b"1,2,3", b"1.2.3", b"<",
    b"<0.0", b">1e9", b"=cmd()", b"@SUM(A1)", b"<script>", b"../../x", b"\\", b"," * 300, b"," * 20_000, b";" * 300,
    b"\t" * 300, b"|" * 300, b" " * 9000, b"A" * 140_000, b"%", b"ppm", b"K2O", "\u00bd".encode(), "\u0663".encode(),
    b"sep=;\n", b"sep=\x00\n", b"Total", b"2024-13-45", b"#REF!", b"NULL", b"true", b"[" * 3000, b"{", b"}", b"null",
]  # fmt: skip


def damaged(data: bytes, rng) -> bytes:
    """Change a few bytes, lines or separators of a file."""
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        at = rng.randrange(len(data) + 1)
        kind = rng.randrange(9)
        if kind == 0 and data:
            data = data[: at - 1] + bytes([rng.randrange(256)]) + data[at:]
        elif kind == 1:
            data = data[:at]
        elif kind == 2:
            data = data[:at] + rng.choice(PIECES) + data[at:]
        elif kind == 3:
            data = data[:at] + data[at + rng.randrange(1, 30) :]
        elif kind in (4, 5):
            lines = data.split(b"\n")
            one = rng.randrange(len(lines))
            if kind == 4:
                lines[one : one + 1] = [lines[one]] * rng.choice((0, 2, 3, 400))
            else:
                rng.shuffle(lines)
            data = b"\n".join(lines)
        elif kind == 6:
            data = data.replace(
                rng.choice((b",", b";", b"\t", b".", b"|")), rng.choice((b",", b";", b"\t", b".", b"|", b" "))
            )
        else:  # another cell in place of one
            cells = list(re.finditer(rb"[^,;\t|\n]+", data))
            if cells:
                cell = rng.choice(cells)
                data = data[: cell.start()] + rng.choice(PIECES) + data[cell.end() :]
    return data


@cache
def workbook(text: str, kind: str) -> bytes:
    """The cells of a text table as a workbook, numbers as numbers."""
    rows = [[_number(c) for c in re.split(r"[,;\t|]", line)] for line in text.splitlines()]
    frame, stream = pd.DataFrame(rows), io.BytesIO()
    if kind == "xls":
        import xlwt

        book = xlwt.Workbook()
        sheet = book.add_sheet("results")
        for i, row in enumerate(rows):
            for j, cell in enumerate(row):
                sheet.write(i, j, cell)
        book.save(stream)
    else:
        frame.to_excel(stream, engine={"xlsx": "openpyxl", "ods": "odf"}[kind], header=False, index=False)
    return stream.getvalue()


def _number(cell):
    try:
        return float(cell)
    except ValueError:
        return cell


def damaged_workbook(text, kind, rng) -> bytes:
    """Damage the bytes of a workbook, or the XML inside so that it still unpacks."""
    data = workbook(text, kind)
    if kind == "xls" or rng.random() < 0.4:
        data = bytearray(data)
        for _ in range(rng.choice((1, 2, 5, 20))):
            data[rng.randrange(len(data))] = rng.randrange(256)
        return bytes(data[: rng.randrange(len(data))] if rng.random() < 0.1 else data)
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as new:
        parts = [p for p in old.namelist() if p.endswith((".xml", ".rels"))]
        sheets = [p for p in parts if "worksheets/" in p or p in ("content.xml", "xl/sharedStrings.xml")]
        chosen = rng.choice(sheets if rng.random() < 0.7 else parts)
        for part in old.namelist():
            if part != chosen or rng.random() > 0.05:
                new.writestr(part, damaged_xml(old.read(part), rng) if part == chosen else old.read(part))
    return stream.getvalue()


def damaged_xml(xml: bytes, rng) -> bytes:
    """Change values, names or numbers of XML, often so that it stays well formed."""
    for _ in range(rng.choice((1, 1, 2, 4))):
        found = list(re.finditer(rng.choice((rb'"[^"]*"', rb">[^<]+<", rb"<[^>]+>", rb"[0-9]+")), xml))
        if not found:
            continue
        one = rng.choice(found)
        new = rng.choice((b"", b"-1", b"0", b"1048576", b"1048577", b"16384", b"99999999999999999999", b"XFD1048576", b"ZZ9",
                          b"s", b"inlineStr", b"e", b"b", b"d", b"1e308", b"nan", b"&amp;", b"&a;", b"A" * 40_000))  # fmt: skip
        edge = (one[0][:1], one[0][-1:]) if one[0][:1] in b'">' else (b"", b"")
        xml = xml[: one.start()] + edge[0] + new + edge[1] + xml[one.end() :]
    return damaged(xml, rng) if rng.random() < 0.15 else xml


WORDS = [
    "needs", "leaf", "strips", "sources", "field", "soybean", "corn", "wheat", "60", "-5", "nan", "inf", "1e308", "0", "--goal-unit",
    "t/ha", "bu/ac", "stones", "--unit", "kg/ha", "--source", "STAMMER2018", "BENDER2015", "KSU_SOY", "--table", "out.csv", "..", ".",
    "", "a/b.csv", "x" * 300, "--crop", "--stage", "R2", "--part", "ear leaf", "--ranges", "--seed", "-1", "1" * 30, "--nutrient-price",
    "0.45", "--grain-price", "11", "--help", "--version", "\udcff", "\x1b[31m", "-", "--", "--page", "p.html", "leaf.csv", "strips.csv",
    "ranges.csv", "gone.csv", "--leaf", "--strips", "--goal", "--crop=", "--seed=x", "/dev/null", "\u202eabc", "SoyBean ", "K2O",
]  # fmt: skip


def command_line(rng):
    """Words of a command line, and the files it may name."""
    price = ["--nutrient-price", "0.45", "--grain-price", "11"]
    words = list(rng.choice((
        ["needs", "soybean", "60"], ["needs", "corn", "12", "--goal-unit", "t/ha", "--table", "out.csv"], ["sources", "KSU_SOY"],
        ["leaf", "leaf.csv", "--table", "out.csv"], ["leaf", "leaf.csv", "--crop", "soybean", "--ranges", "ranges.csv"],
        ["leaf", "leaf.csv", "--stage", "R2"], ["needs", "wheat", "70", "--source", "KSU_SOY"],
        ["sources", "BENDER2015", "STAMMER2018"], ["strips", "strips.csv", *price, "--seed", "3"], ["sources", "gone"],
    )))  # fmt: skip
    for _ in range(rng.choice((0, 1, 1, 2, 3))):
        at = rng.randrange(min(1, len(words)), len(words) + 1)
        kind = rng.randrange(3)
        words[at : at + (kind != 0)] = [] if kind == 1 else [rng.choice(WORDS)]
    files = {
        "leaf.csv": rng.choice(LEAVES).encode(),
        "strips.csv": STRIPS[0].encode(),
        "ranges.csv": RANGES.encode(),
    }
    return words, {name: damaged(data, rng) if rng.random() < 0.5 else data for name, data in files.items()}


def run_command(given) -> str:
    words, files = given
    for name, data in files.items():
        Path(name).write_bytes(data)
    try:
        status = main([w for w in words if w != "open"])
    except SystemExit as left:
        status = left.code
    assert status in (0, 2), status
    return "answered" if status == 0 else "refused"


def answers(read: Callable) -> Callable:
    """Run a reader: answered, or refused with an error raised on purpose."""

    def run(given):
        try:
            result = read(given)
            if isinstance(result, fertkit.results.Result):
                result.summary(), result._repr_html_(), getattr(result, "checks", None)
        except FertkitError as error:
            if len(str(error)) > LONGEST_MESSAGE:
                raise ValueError("a message nobody can read") from error
            return "refused"
        return "answered"

    return run


def _ranges(data):
    Path("ranges.csv").write_bytes(data)
    return load_ranges("ranges.csv")


def _ranges_workbook(data):
    Path("ranges.xlsx").write_bytes(data)
    return load_ranges("ranges.xlsx")


def _farm(data):
    Path("fields.csv").write_bytes(data)
    return farm_budget("fields.csv")


@cache
def _plan():
    from fertkit.trials import plan_strips

    return plan_strips([0, 60], seed=1, blocks=2, header_width=30, applicator_width=60, strip_length=600)


def _boundary(data):
    from fertkit.trials.application import application_geojson

    try:
        given = json.loads(data)
    except (ValueError, RecursionError):  # not read by us
        return None
    return application_geojson(_plan(), given)


@cache
def _cleaned():
    from fertkit.trials import clean_points

    return clean_points(read_points(POINTS.encode(), crop="corn"))


def _strip_shapes(data):
    from fertkit.trials import strip_means

    Path("strips.geojson").write_bytes(data)
    return strip_means(_cleaned(), "strips.geojson")


@cache
def _panel():
    from fertkit.panels import NeedsPanel

    return NeedsPanel()


def _settings(data):
    _panel().load_settings(data.decode("utf-8", "replace"))


@dataclass(frozen=True)
class Target:
    """A reader: its share of the cases, how a case is made and how it is run."""

    share: float
    make: Callable
    run: Callable


def _text(share, originals, read):
    return Target(share, lambda rng: damaged(rng.choice(originals).encode(), rng), answers(read))


def _book(share, originals, kind, read):
    return Target(share, lambda rng: damaged_workbook(rng.choice(originals), kind, rng), answers(read))


def _log(data):
    return read_points(data, crop="corn")


def _known(share, kind):
    """Files whose numbers are known: right, refused or wrong, and what was done to the file."""

    def run(case):
        data, sheet, units, damage = case
        try:
            judged = known.JUDGES[kind](data, sheet, units)
        except FertkitError as error:
            if len(str(error)) > LONGEST_MESSAGE:
                raise ValueError("a message nobody can read") from error
            judged = "refused"
        outcome, _, why = judged.partition(": ")
        return ": ".join(filter(None, (outcome, damage, why)))

    return Target(share, lambda rng: known.make_case(kind, rng), run)


TARGETS = {
    "known soil": _known(8, "soil"),
    "known shed": _known(3, "shed"),
    "known leaf": _known(12, "leaf"),
    "known strips": _known(10, "strips"),
    "known ranges": _known(1.5, "ranges"),
    "known points": _known(1.5, "points"),
    "tissue text": _text(4, LEAVES, read_tissue),
    "tissue XLSX": _book(2, LEAVES, "xlsx", read_tissue),
    "tissue ODS": _book(2, LEAVES, "ods", read_tissue),
    "tissue XLS": _book(2, LEAVES, "xls", read_tissue),
    "soil text": _text(3, SOILS, read_soil),
    "soil XLSX": _book(1, SOILS, "xlsx", read_soil),
    "soil ODS": _book(0.5, SOILS, "ods", read_soil),
    "soil XLS": _book(0.5, SOILS, "xls", read_soil),
    "shed text": _text(2, SHEDS, read_shed),
    "shed XLSX": _book(0.5, SHEDS, "xlsx", read_shed),
    "passes text": _text(0.7, [PASSES], read_passes),
    "strips text": _text(3, STRIPS, read_strips),
    "strips XLSX": _book(1, STRIPS, "xlsx", read_strips),
    "strips ODS": _book(0.5, STRIPS, "ods", read_strips),
    "strips XLS": _book(0.5, STRIPS, "xls", read_strips),
    "harvest points": _text(3, [POINTS], _log),
    "own ranges": _text(2, [RANGES], _ranges),
    "own ranges XLSX": _book(0.5, [RANGES], "xlsx", _ranges_workbook),
    "farm table": _text(1.5, [FARM], _farm),
    "field boundary": _text(1, [BOUNDARY], _boundary),
    "strip shapes": _text(1, [SHAPES], _strip_shapes),
    "panel settings": Target(
        0.1, lambda rng: damaged(_panel().settings_json().encode(), rng), answers(_settings)
    ),
    "command line": Target(0.7, command_line, run_command),
}
