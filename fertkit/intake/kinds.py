"""What kind of file a table is by its headers: told where one is given in the place of another."""

from fertkit.errors import InputError
from fertkit.intake.columns import roles_of
from fertkit.intake.grid import HEADER_DEPTH
from fertkit.intake.headers import read_header as leaf_header
from fertkit.intake.lists import list_header
from fertkit.intake.points import place_role
from fertkit.intake.soil_headers import read_soil_header
from fertkit.intake.spellings import problem
from fertkit.intake.strip_headers import RATES
from fertkit.intake.strip_headers import read_header as strip_header
from fertkit.tables import text_of

_FEW = 2  # headers of tests or records below which a table is no report or log
_SOIL = {"pH", "buffer_pH", "OM", "CEC"}
#: What each kind is called, and where it belongs.
_KINDS = {
    "leaf": ("a leaf report", "fertkit leaf FILE (in Python read_tissue)"),
    "soil": ("a soil report", "fertkit plan FIELDS --soil FILE (in Python read_soil)"),
    "strips": ("a file of strips", "fertkit strips FILE (in Python read_strips)"),
    "points": ("a log of harvest points", "fertkit strips MAP --log FILE (in Python read_points)"),
    "map": ("a map of what was applied", "fertkit strips FILE --log LOG (in Python join_points)"),
    "fields": ("a table of fields", "fertkit farm FILE or fertkit plan FILE"),
    "shed": ("a list of products", "fertkit plan FIELDS --shed FILE (in Python read_shed)"),
    "passes": ("a list of passes", "fertkit plan FIELDS --passes FILE"),
}


def refusal(tables, own, problems) -> InputError:
    """Return the error for tables read as of their `own` kind: the problems, or that one is of another."""
    others = [told for raw in tables for told in another_kind(raw.cells, own)]
    return InputError(tables[0].name, others[:1] or problems)


def another_kind(rows, own) -> list:
    """Return the one complaint of a table that is surely of another kind than it was given as, else none."""
    for row in rows[:HEADER_DEPTH]:
        kinds = _kinds_of([text for text in map(text_of, row) if text])
        if own in kinds or len(kinds) > 1:
            return []
        if kinds:
            looks, where = _KINDS[kinds.pop()]
            return [problem("another kind", looks=looks, where=where)]
    return []


def _kinds_of(headers) -> set[str]:
    strips = {strip_header(text).role for text in headers}
    lists = ("fields", "shed", "passes")
    roles = {file: {list_header(file, text)[0] for text in headers} for file in lists}
    points = {role for role in roles_of("points") if any(place_role(text, role) for text in headers)}
    placed, recorded = {"lon", "lat"} <= points, points - {"lon", "lat"}
    soil, leaf = list(map(read_soil_header, headers)), list(map(leaf_header, headers))
    tests = sum(bool(h.extractant) or h.name in _SOIL for h in soil if h.names_nutrient)
    results = sum(h.names_nutrient for h in leaf)
    conditions = {h.name for h in leaf if h.kind == "role"} & {"growth_stage", "plant_part"}
    signs = {
        "points": placed and len(recorded) >= _FEW,
        "map": placed and len(recorded) < _FEW and set(RATES) & strips,
        "strips": {"yield", "weight"} & strips and {*RATES, "treatment"} & strips and not placed,
        "fields": "yield_goal" in roles["fields"] and {"crop", "area"} & roles["fields"],
        "shed": {"product", "price"} <= roles["shed"],
        "passes": {"pass", "method", "cost"} <= roles["passes"],
        "soil": tests >= _FEW,
        "leaf": results >= _FEW and conditions and not tests,
    }
    return {kind for kind, sign in signs.items() if sign}
