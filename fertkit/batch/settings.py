"""What a batch is asked to do, checked once, and the record of it that a later run must match."""

import json
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from hashlib import blake2b
from pathlib import Path

from fertkit import __version__
from fertkit.batch import samples, trials
from fertkit.errors import FertkitError, InputError, LookupFailed, NotEstimable, Problem, unknown
from fertkit.intake.strip_headers import ROLE_WORDS, each
from fertkit.reference import load_ranges
from fertkit.response.intervals import check_level
from fertkit.response.prices import one_ratio, positive

#: Kind of batch → its name column, the size of a part that takes some seconds, how a part is worked.
KINDS = {
    "trials": ("trial", 200, trials.survey_part, trials.result_types, trials.is_tidy),
    "samples": ("sample_id", 2000, samples.score_part, samples.result_types, samples.is_tidy),
}
EMPTY = "empty the folder, or write to another one"  # what to do where a folder is not what a run left
FILES_IN_PART = 20  # users' own files of unknown size
#: Role of a column → the setting that names it in a data set.
_IN_DATA_SET = {"trial": "by", "rate": "rate", "yield": "yield_", "block": "block"}


@dataclass(frozen=True)
class Settings:
    """Everything that decides the numbers of a batch.

    Attributes
    ----------
    kind : {'trials', 'samples'}
    by : list of str
        Columns of a data set that tell trials or samples apart.
    price_ratio : float or None
        Price of a unit of nutrient over the price of a unit of yield.
    nutrient_price, grain_price : float or None
        As given, for the pages of single trials.
    level : float
    rate, yield_, block, weight : str or None
        Columns, see `fertkit.response.read_trial_data`.
    columns : dict or None
        Role → headers of strip files, see `fertkit.read_strips`.
    reading : dict
        How strip files are read: units, sheet, analysis, density and real_yields of `fertkit.read_strips`.
    decimal : str or None
        Decimal mark of a data set or of laboratory files, where they do not tell it.
    crop : str or None
        Crop where the files do not say.
    ranges, ranges_digest : str or None
        A table of ranges of the user's own and the fingerprint of its content.
    source : list of str or None
        Source keys of the ranges to use.
    seed, part_size : int
    pages : bool
        Whether each usable trial gets a page of its own.
    units : (str, str)
        Units of rate and yield that the prices are for; ("", "") where nothing was read yet.
    """

    kind: str
    by: list
    price_ratio: float | None = None
    nutrient_price: float | None = None
    grain_price: float | None = None
    level: float = 0.95
    rate: str | None = None
    yield_: str | None = None
    block: str | None = None
    weight: str | None = None
    columns: dict | None = None
    reading: dict = field(default_factory=dict)
    decimal: str | None = None
    crop: str | None = None
    ranges: str | None = None
    ranges_digest: str | None = None
    source: list | None = None
    seed: int = 0
    part_size: int = 0
    pages: bool = False
    units: tuple = ("", "")

    @property
    def work(self):
        """The function that makes a part into rows."""
        return KINDS[self.kind][2]

    @property
    def types(self) -> dict[str, str]:
        """Columns of the result and their types."""
        return KINDS[self.kind][3](self.by)

    def tidy(self, columns) -> bool:
        """Whether column names are those of a tidy data set of this kind, or hold the columns asked for."""
        return KINDS[self.kind][4](columns, self)

    def range_table(self):
        """The user's own ranges, read once in a process; None for the bundled ones."""
        return None if self.ranges is None else _ranges(self.ranges)


@cache
def _ranges(path):
    return load_ranges(path)


def make_settings(
    kind,
    by,
    *,
    nutrient_price,
    grain_price,
    price_ratio,
    seed,
    part_size,
    ranges,
    source,
    columns=None,
    reading=None,
    decimal=None,
    **rest,
) -> Settings:
    """Check what was asked.

    Raises
    ------
    LookupFailed, PriceError, NotEstimable, InputError
        For an unknown kind, prices that cannot be, and settings that do not go together.
    """
    if kind not in KINDS:
        raise unknown("kind of batch", kind, KINDS)
    own, size = KINDS[kind][:2]
    names = [own] if by is None else [by] if isinstance(by, str) else list(by)
    if kind == "samples" and names != [own]:
        raise LookupFailed("samples are told apart by their column 'sample_id'; name it so")
    ratio = _ratio(nutrient_price, grain_price, price_ratio) if kind == "trials" else None
    check_level(rest.get("level", 0.95))
    if decimal not in (None, ".", ","):
        raise unknown("decimal mark", decimal, [".", ","])
    if ranges is not None:
        load_ranges(ranges)
        rest |= {"ranges": str(Path(ranges).resolve()), "ranges_digest": _fingerprint(ranges)}
    if rest.get("pages") and (kind != "trials" or nutrient_price is None or rest.get("weight")):
        raise NotEstimable("pages are made of single trials, with both prices and without weights")
    prices = {"nutrient_price": nutrient_price, "grain_price": grain_price}
    keys = [source] if isinstance(source, str) else None if source is None else list(source)
    rest |= prices | {"columns": _by_role(columns, kind), "reading": _reading(reading, kind)}
    rest |= {"decimal": decimal}
    rest |= {"source": keys, "seed": int(seed), "part_size": int(part_size or size)}
    return Settings(kind, names, ratio, **rest)


def _by_role(columns, kind):
    """Headers by role, as lists."""
    if not columns:
        return None
    if kind == "samples":
        raise NotEstimable("columns are named by role in files of strips, not in laboratory files")
    for role in columns:
        if role not in ROLE_WORDS:
            raise unknown("role of a column", role, ROLE_WORDS)
    return {role: list(each(headers)) for role, headers in columns.items()}


def _reading(reading, kind):
    """How strip files are read, as far as it was said."""
    said = {name: value for name, value in (reading or {}).items() if value}
    if said and kind == "samples":
        raise NotEstimable(f"{', '.join(said)}: for files of strips, not for laboratory files")
    return said


def for_data_set(settings: Settings) -> Settings:
    """The same settings with the columns named by role put where a data set is asked for them.

    Raises
    ------
    NotEstimable
        If a data set is not read by such a role or in such a way, or two columns are named for one.
    """
    # a data set is taken as it stands, so its zeros were measured whether that is said or not
    if said := [name for name in settings.reading if name != "real_yields"]:
        raise NotEstimable(
            f"{', '.join(said)}: for files of strips; the columns of a data set carry their units, as in "
            "rate_lb_ac"
        )
    named = {}
    for role, headers in (settings.columns or {}).items():
        if role not in _IN_DATA_SET:
            known = ", ".join(_IN_DATA_SET)
            raise NotEstimable(f"in a data set columns can be named for {known}, not for '{role}'")
        name = _IN_DATA_SET[role]
        said = getattr(settings, name)
        if len(headers) > 1 or (name != "by" and said not in (None, headers[0])):
            raise NotEstimable(f"two columns are given for the {role}: give one")
        named[name] = headers if name == "by" else headers[0]
    return replace(settings, **named)


def _ratio(nutrient_price, grain_price, price_ratio):
    if price_ratio is not None:
        if nutrient_price is not None or grain_price is not None:
            raise NotEstimable("give the price ratio or the two prices, not both")
        return one_ratio(price_ratio)
    ratio = positive(nutrient_price, "nutrient price") / positive(grain_price, "grain price")
    return one_ratio(ratio)


def _fingerprint(path):
    return blake2b(Path(path).read_bytes(), digest_size=16).hexdigest()


# ---- the record


def record_of(settings: Settings, source) -> dict:
    """What a later run must match to go on where this one ended."""
    told = asdict(settings) | {"version": __version__, "input": source.root.name}
    del told["units"]
    return told | {"files": len(source.files), "digest": source.digest()}


def read_record(file: Path) -> dict | None:
    """The record of an earlier run in the folder, if there is one."""
    try:
        record = json.loads(file.read_text(encoding="utf-8"))
        record["parts"], record["units"] = int(record["parts"]), [str(unit) for unit in record["units"]]
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, KeyError):
        raise InputError(file.name, [Problem("not the record of a batch", EMPTY)]) from None
    return record


def refuse_other(file: Path, was: dict, now: dict) -> None:
    """Raise FertkitError, telling every difference, unless both runs ask the same of the same input."""
    names = {
        "digest": "the content of the input", "version": "the version of fertkit", "input": "the input",
        "files": "the number of files", "by": "the columns that tell trials apart", "price_ratio":
        "the price ratio", "part_size": "the size of a part", "yield_": "the yield column",
        "ranges_digest": "the content of the own ranges",
    }  # fmt: skip
    differ = [key for key in now if was.get(key) != now[key]]
    if not differ:
        return
    told = [
        f"{names.get(key, key.replace('_', ' '))} differs"
        + ("" if "digest" in key else f": {was.get(key)} before, {now[key]} now")
        for key in differ
    ]
    raise FertkitError(
        f"{file.parent} holds a batch asked for otherwise, so its parts cannot be used: {'; '.join(told)}. "
        "Ask the same again, or write to another folder"
    )
