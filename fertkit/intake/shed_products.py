"""One row of the shed: what the product holds, what a pound costs, how much there is, where it may go."""

import re

import numpy as np

from fertkit.errors import LookupFailed
from fertkit.intake.numbers import POINT, read_number
from fertkit.intake.spellings import plain, problem, spellings
from fertkit.intake.units import VOLUME_UNITS, take_unit, words_of
from fertkit.reference.fertilizers import PERCENT, find_product
from fertkit.reference.load import load_table
from fertkit.reference.nutrients import OF_PRODUCTS
from fertkit.results import plain as number
from fertkit.units import ACRE_HA, AREA_RATE_KG_HA, LB_KG, MASS_KG, US_GALLON_L

#: Volumes in gallons.
GALLONS = {"gal": 1.0, "qt": 1 / 4, "pt": 1 / 8, "L": 1 / US_GALLON_L, "hL": 100 / US_GALLON_L}
CURRENCY = re.compile(r"\bus\s*\$|[$€£]|\b(?:usd|eur|gbp|cad)\b", re.I)
_SHARE = r"\d{1,2}(?:\.\d+)?"
_SYMBOL = rf"(?:{'|'.join(OF_PRODUCTS)})?(?![a-z])"
_GRADE = re.compile(rf"(?<![\d.]){_SHARE}(?:-{_SHARE}){{2}}(?:-{_SHARE}(?:\s?{_SYMBOL}))*", re.I)
_PARTS = re.compile(rf"({_SHARE})\s?([a-z]*)", re.I)
#: One share beside a name (32% UAN, KCl 60), or nitrogen and phosphate (MAP 11-52).
_LEADING = re.compile(rf"(?<![\w.-])({_SHARE})(?:-({_SHARE}))?\s?%?(?![\w.-])")
_BESIDE = re.compile(r"[()%,]|\b(?:fertili[sz]er|liquid|dry|granular|solution)\b", re.I)
_SIZED = re.compile(r"(?P<size>\d+(?:[.,]\d+)?)?[\s-]*(?P<unit>[a-z]+)")
_TONS = re.compile(r"\b(?P<kind>short|metric) tons?\b")
_ROUNDING = 0.6  # points of percent by which a grade is rounded
_USUAL = 2.5  # points by which the grade of a product on sale may differ from the usual one
_DEAREST = 20.0  # money a pound beyond which a price is asked about
_FEW = 8  # brackets of the products that a refusal names
_DENSITIES = (5.0, 17.0)  # lb/gal of liquid fertilizers


class ShedRow:
    """A product being read; problems and notes are added to the lists it is given."""

    def __init__(self, things, row, line, problems, notes):
        self.things, self.row, self.line, self.problems, self.notes = things, row, line, problems, notes
        self.name = self._text("product") or self._text("grade")

    def read(self) -> dict:
        """Return the row of `Shed.products`."""
        if not self.name:
            self._ask("name missing", "product", role="product")
            return {}
        known, shares = self._analysis()
        density = self._density(known)
        price, unit, pounds, bag = self._price(density)
        on_hand, lot = self._amount("on_hand", density), self._amount("lot", density)
        per_lb = price / pounds
        if per_lb > _DEAREST:
            self._ask("price too high", "price", product=self.name, price=number(per_lb))
        if not self._text("price") and not on_hand > 0 and not np.isnan(on_hand):
            self._ask("no price no stock", "price", product=self.name)
        if bag and lot == 0:
            lot = pounds
            self._note("whole bags", lot=number(lot))
        row = {
            "product": self.name, "material": "", "grade": grade_of(shares), "density_lb_gal": density,
            "form": self._form(known, unit, density), "price": price, "price_unit": unit,
            "price_per_lb": per_lb, "on_hand_lb": on_hand, "lot_lb": lot,
            "seed_row": self._limit("seed_row", density),
            "foliar": self._yes("foliar"), "foliar_limit_lb_ac": self._limit("foliar_limit", density),
            "cautions": "", "source_key": "own table", "provenance": "own table", "row": self.line,
        }  # fmt: skip
        if known is not None:
            row |= {name: known[name] for name in ("material", "cautions", "source_key", "provenance")}
            row |= {"grade": known["grade"]} if shares == _shares(known) else {}
        return row | {PERCENT[n]: shares.get(n, 0.0) for n in OF_PRODUCTS}

    def _text(self, role) -> str:
        return " ".join(str(self.row.get(role, "")).split())

    def _ask(self, key, role, /, **blanks):
        """Add a problem of a cell; return NaN."""
        self.problems.append(
            problem(key, self.line, self.things.headers.get(role), self._text(role) or None, **blanks)
        )
        return np.nan

    def _note(self, key, **blanks):
        self.notes.append(problem(key, self.line, product=self.name, **blanks))

    def _number(self, role):
        if role not in self.things.headers:
            return np.nan
        return self.things.number(self.row, self.line, role, self.problems)

    # ---- what it holds

    def _analysis(self):
        """(row of the table of products or None, nutrient -> percent)."""
        columns = {n: self._number(PERCENT[n]) for n in OF_PRODUCTS}
        columns = {n: share for n, share in columns.items() if not np.isnan(share)}
        grade, stated = _grade_in(f"{self.name} {self._text('grade')}")
        before, named, by_grade = len(self.problems), self._named(grade), _known(grade)
        known = named[0] if len(named) == 1 else by_grade
        if by_grade is not None and named and all(_differ(_shares(r), stated, _USUAL) for r in named):
            first, second = " or ".join(map(_title, named)), _title(by_grade)
            self._ask("grade against name", "product", product=self.name, first=first, second=second)
        usual = _shares(known)
        written = stated or usual
        points = _ROUNDING if stated else _USUAL
        judged = {*OF_PRODUCTS[:3], *stated} if stated else set(OF_PRODUCTS)  # a grade may leave out zinc
        clash = [n for n in columns if n in judged and _differ(columns, written, points, (n,))]
        if written and clash:
            said, seen = (_percent(of, clash) for of in (written, columns))
            self._ask("grade against columns", "product", product=self.name, named=said, stated=seen)
        if not written and not any(columns.values()) and len(self.problems) == before:
            self._ask("product not known", "product", product=self.name, like=_like(self.name))
        if known is None and columns:
            known = _known(grade_of(columns))
        if known is None:
            self._note("analysis alone")
            if spellings("organic").keys() & set(plain(self.name).split()):
                self._note("organic counts whole")
        shares = {n: s for n, s in {**usual, **stated, **columns}.items() if s > 0}
        if usual and not stated and _differ(usual, shares, 1e-9, OF_PRODUCTS):
            self._note("analysis by columns", stated=grade_of(shares), named=known["grade"])
        if (total := sum({**shares, "Cl": 0.0}.values())) > 100:  # with K2O the chloride of KCl goes beyond
            self._ask("more than all", "product", total=number(total))
        if columns and 0 < total < 1:
            self._ask("less than one", "product", total=number(total))
        return known, shares

    def _named(self, grade) -> list:
        """Rows of the table of products that the words of the name may mean, with a share beside them."""
        bare = _GRADE.sub(" ", self.name)
        if (known := _known(bare)) is not None:
            return [known]
        if grade:
            return [row for row in _meant(bare) if plain(row["material"]).startswith(plain(bare))]
        if (share := _LEADING.search(bare)) is None:
            return []
        rows = _meant(_LEADING.sub(" ", bare, count=1))
        fits = [row for row in rows if _leads(_shares(row), *map(float, filter(None, share.groups())))]
        if rows and not fits:
            first = " or ".join(map(_title, rows))
            self._ask("share against name", "product", product=self.name, first=first, share=share[0].strip())
        return fits

    def _form(self, known, unit, density):
        text, words = plain(self._text("form")), spellings("form")
        named = known["form"] if known is not None else ""
        said = next((words[w] for w in (text, *text.split()) if w in words), "")
        if text and not said:
            self._ask("form not known", "form", product=self.name)
        if said or named:
            return said or ("gas" if "gas" in named else "liquid" if "liquid" in named else "dry")
        if density > 0 or unit in spellings("volume"):
            return "liquid"
        self._note("taken as dry")
        return "dry"

    def _density(self, known):
        """Weight of a gallon [lb]; NaN of a dry product or where it is not known."""
        density = self._number("density")
        if np.isnan(density):
            return np.nan if known is None else float(known["density_lb_gal"])
        if re.search(r"\bkg\b|specific gravity|\bg/", plain(self.things.headers["density"])):
            density *= US_GALLON_L / LB_KG
        if not _DENSITIES[0] <= density <= _DENSITIES[1]:
            return self._ask("density impossible", "density", density=number(density))
        return density

    # ---- what it costs and how much there is

    def _price(self, density):
        """(price, its unit as written, pounds in that unit, whether it is a container)."""
        text = CURRENCY.sub(" ", self._text("price")).strip()
        reading, inside = self._amount_in(text, "price")
        lot = self._text("lot")
        if _container(inside) and not re.search(r"\d", inside) and _container(lot) == _container(inside):
            inside = lot  # '25 $/bag' beside a lot of '50 lb bag'
        if reading.problem or reading.censored:
            return self._ask("not a number", "price"), "", np.nan, False
        if np.isnan(reading.value):
            return np.nan, "", np.nan, False
        unit = next(filter(None, (inside, self._text("price_unit"), self.things.rests["price"])), "")
        unit = re.sub(r"^\W*(?:per\b)?\W*", "", CURRENCY.sub(" ", unit))
        if not unit:
            return self._ask("price without unit", "price", product=self.name), "", np.nan, False
        return reading.value, unit, *self._pounds(unit, density, "price")

    def _amount(self, role, density):
        """An amount on hand or the size of a lot [lb]; 0 of a blank cell."""
        text = self._text(role)
        if plain(text) in spellings("missing"):
            return 0.0
        reading, unit = self._amount_in(text, role)
        several = _container(unit) and not _measures(
            unit
        )  # '40 bags'; '50 lb bag' and 'bag of 50 lb' are one
        if _container(text) and not several and not re.search(r"\d", unit):
            reading, unit = read_number(1.0, self.things.style), text
        if reading.problem or reading.censored:
            return self._ask("amount not read", role, what=role.replace("_", " "), text=text)
        unit = unit or self._text(f"{role}_unit") or self.things.rests.get(role, "")
        return 0.0 if reading.value == 0 else reading.value * self._pounds(unit, density, role)[0]

    def _amount_in(self, text, role):
        """(Reading of the number, the words behind it) of a cell; a workbook's number has a decimal point."""
        style = self.things.style if isinstance(self.row.get(role, ""), str) else POINT
        hit = re.fullmatch(
            r"(?P<number>[\d.,' ]*\d[.,]?)\s*(?:/|per\b)?\s*(?P<unit>[^\d\s.,\x22].*)?", text, re.I
        )
        return read_number(hit["number"] if hit else text, style), (hit["unit"] or "") if hit else ""

    def _pounds(self, text, density, role):
        """(pounds in one unit such as ton, gal, 50 lb bag or tote of 275 gal; whether it is a container)."""
        container = _container(text)
        for hit in _SIZED.finditer(
            _TONS.sub(lambda tons: "ton" if tons["kind"] == "short" else "t", plain(text))
        ):
            mass, volume = (spellings(kind).get(hit["unit"], "") for kind in ("mass", "volume"))
            if not (mass or volume) or mass == "bu" or (container and not hit["size"]):
                continue
            size = float((hit["size"] or "1").replace(",", "."))
            if volume and not density > 0:
                return self._ask("gallon without density", role, product=self.name), False
            return size * (MASS_KG[mass] / LB_KG if mass else GALLONS[volume] * density), bool(container)
        if container:
            if role != "bag" and (inside := self._amount("bag", density)) > 0:
                return inside, True  # '34 $/bag' beside 'Bag (kg)'
            amount = re.search(r"\d+ ?(lb|kg|gal|l)\b", plain(self._text("lot")))
            like = amount[0] if amount else "50 lb"
            return self._ask("container without size", role, container=container, like=like), False
        return self._ask("amount not read", role, what=role.replace("_", " "), text=text), False

    # ---- its limits

    def _limit(self, role, density):
        """The most rate [lb/ac]; 0 for never, NaN where nothing is stated."""
        text = self._text(role)
        if plain(text) in spellings("missing"):
            return np.nan
        reading, unit = self._amount_in(text, role)
        if reading.value == 0 or spellings("yes no").get(plain(text)) == "no":
            return 0.0
        unit = take_unit(words_of(unit or self.things.rests[role]))[0]
        if not reading.value > 0 or reading.censored or not unit:
            return self._ask("limit not read", role, what=role.replace("_", " "), text=text)
        if unit in AREA_RATE_KG_HA:
            return reading.value * AREA_RATE_KG_HA[unit] / AREA_RATE_KG_HA["lb/ac"]
        if not density > 0:
            return self._ask("gallon without density", role, product=self.name)
        gallons = 1.0 if unit.endswith("/ac") else ACRE_HA / US_GALLON_L
        return reading.value * VOLUME_UNITS[unit] * gallons * density

    def _yes(self, role):
        text = plain(self._text(role))
        said = spellings("yes no").get(text, "" if text else "no")
        if not said:
            self._ask("yes or no", role, text=text)
        return said == "yes"


def grade_of(shares: dict) -> str:
    """Write an analysis as a grade: 12-40-0-10S."""
    grade = "-".join(f"{shares.get(n, 0.0):g}" for n in OF_PRODUCTS[:3])
    return grade + "".join(f"-{shares[n]:g}{n}" for n in OF_PRODUCTS[3:] if shares.get(n, 0.0) > 0)


def _grade_in(text):
    """(grade as written, nutrient -> percent) of the grade in a text; ('', {}) if there is none."""
    hit = _GRADE.search(text)
    if not hit:
        return "", {}
    shares = {}
    for k, (share, letters) in enumerate(_PARTS.findall(hit[0])):
        place = ("N", "P2O5", "K2O", "S")[k] if k < 4 else ""
        name = next((n for n in OF_PRODUCTS if n.lower() == letters.lower()), place)
        if name:
            shares[name] = float(share)
    return hit[0].strip(), shares


def _known(text):
    """Row of the table of products that a text names, without its percent and form; None if none does."""
    bare = " ".join(_BESIDE.sub(" ", text).split())
    other = spellings("strip product").get(plain(bare), bare)
    for form in dict.fromkeys(filter(None, (bare, bare.replace("-", " "), bare.replace(" ", ""), other))):
        try:
            row = find_product(form)
        except LookupFailed:
            continue
        named = form.lower(), row["material"].lower()
        short = {*row["also"].lower().split(";"), *re.findall(r"\((.*?)\)", named[1])}
        if named[0] in short or row["grade"].lower().startswith(named[0].removesuffix("s")):
            return row
        if re.match(rf"{re.escape(named[0])}(?!\w)", named[1]):  # acid is no boric acid
            return row
    return None


def _meant(text) -> list:
    """Rows that a text names: the one it is the name of, or all whose names hold its words (UAN, potash)."""
    if (known := _known(text)) is not None:
        return [known]
    words, table = set(plain(_BESIDE.sub(" ", text)).split()), load_table("products")
    names = (table["material"] + " " + table["also"]).map(plain).str.findall(r"\w+").map(set)
    return [row for _, row in table[names.map(words.issubset)].iterrows()] if words else []


def _leads(shares, first, second=None) -> bool:
    """Whether a number is the first or largest share of a product, or two are its nitrogen and phosphate."""
    if second is not None:
        return not _differ(shares, {"N": first, "P2O5": second}, _ROUNDING, ("N", "P2O5"))
    return any(
        abs(share - first) <= _ROUNDING for share in (next(iter(shares.values())), max(shares.values()))
    )


def _title(row):
    return f"{row['material']} ({row['grade']})"


def _like(name):
    """The few products that a name could be; '' where they are many."""
    try:
        find_product(name)
    except LookupFailed as error:
        return f"; {error.remedy}" if error.remedy.count("(") <= _FEW else ""
    return ""


def _shares(known) -> dict[str, float]:
    """Nutrient -> percent of a row of the table of products."""
    return {} if known is None else {n: float(known[c]) for n, c in PERCENT.items() if known[c] > 0}


def _percent(shares, nutrients):
    return ", ".join(f"{number(shares.get(n, 0.0))} % {n}" for n in nutrients)


def _differ(one, other, points, nutrients=OF_PRODUCTS[:3]):
    return any(abs(one.get(n, 0.0) - other.get(n, 0.0)) > points for n in nutrients)


def _container(text):
    return next((w for w in re.findall(r"[a-z]+", plain(text)) if w in spellings("container")), "")


def _measures(text) -> bool:
    """Whether words name a mass or a volume."""
    return any(word in spellings("mass") | spellings("volume") for word in re.findall("[a-z]+", plain(text)))
