"""Options of the command line: their types, what they mean wherever they are asked, and how one is asked."""

import argparse
from pathlib import Path

from fertkit.errors import FertkitError
from fertkit.intake.typed import pairs_of


def a_number(text):
    """A number with a decimal point or comma."""
    from fertkit.intake.numbers import read_typed

    try:
        return read_typed(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def a_price(text):
    """One price, or one for each of several nutrients: N=0.5,P2O5=0.6."""
    return optima(text) if "=" in text else a_number(text)


def a_share(text):
    """A share from 0 to 1, or a percent."""
    percent = text.strip().endswith("%")
    share = a_number(text.strip().removesuffix("%").strip())
    if percent and 0 < share <= 1:
        raise argparse.ArgumentTypeError(f"'{text}' may be a share: write it as a number from 0 to 1")
    share = share / 100 if percent else share
    if not 0 <= share <= 1:
        raise argparse.ArgumentTypeError(f"'{text}' is no share: write 0 to 1, or a percent such as 50%")
    return share


def keys(text):
    return [key.strip() for key in text.split(",") if key.strip()]


def named_column(text):
    role, mark, header = text.partition("=")
    if not (mark and role.strip() and header.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is not ROLE=HEADER, as in yield=\"Grain [t/ha]\"")
    return role.strip().lower(), header.strip()


def a_length(text):
    """A length with its unit: 30ft, 9.1 m."""
    number, unit = text.rstrip("abcdefghijklmnopqrstuvwxyz "), text.lstrip("0123456789., ")
    if not number or not unit:
        raise argparse.ArgumentTypeError(f"'{text}' is not a length with its unit, as in 30ft")
    return a_number(number), unit


def a_cost(text):
    """The cost of a treatment per area: NAME=14.50, or price times rate, NAME=0.45x30."""
    from fertkit.intake.numbers import read_product

    name, mark, amount = text.rpartition("=")
    if not (mark and name.strip() and amount.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is not NAME=COST, as in Product=14.50 or Product=0.45x30")
    try:
        return name.strip(), read_product(amount)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def two_names(text):
    spelling, mark, field = text.partition("=")
    if not (mark and spelling.strip() and field.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is not SPELLING=FIELD, as in \"Heron Qtr=Heron Quarter\"")
    return spelling.strip(), field.strip()


def treatment_names(text):
    parts = [part.strip() for part in text.replace(";", ",").split(",") if part.strip()]
    try:
        return [a_number(part) for part in parts]
    except argparse.ArgumentTypeError:
        return parts


def a_span(text):
    return [a_number(part) for part in text.split("-")]


def ab_line(text):
    return [tuple(a_number(part) for part in point.split(",")) for point in text.split()]


def optima(text):
    try:
        return {name: a_number(value) for name, value in pairs_of(text, "N=2.9,K=2.1").items()}
    except FertkitError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


INERT = "text that looks like a formula gets a leading apostrophe"
LABORATORY_FILE = "laboratory file (CSV, TSV, XLSX, XLS, ODS)"
DECIMAL = {"choices": [".", ","]}
FILE = {"type": Path}

#: Options that mean the same wherever they are asked.
OPTIONS = {
    "--crop": {"help": "crop, if the file does not say"},
    "--stage": {"help": "growth stage, if the file does not say, e.g. R2"},
    "--part": {
        "help": "plant part, if the file does not say, e.g. 'ear leaf' or 'trifoliate without petiole'"
    },
    "--ranges": {**FILE, "help": "your own ranges instead of the bundled ones"},
    "--source": {"help": "use only this source (see: fertkit sources)"},
    "--without": {"action": "append", "metavar": "KEY", "help": "leave a source out; repeatable"},
    "--region": {
        "help": "prefer studies of a region, e.g. 'US Midwest', unless you choose sources or ranges",
    },
    "--own": {
        **FILE, "action": "append", "metavar": "FILE",
        "help": "your own table, which leads: removal, uptake, timing, stage days, leaf ranges, soil "
                "systems, levels or rates, of new crops too; repeatable",
    },
    "--profile": {
        **FILE, "metavar": "FILE",
        "help": "TOML file with source, without, region or own; [leaf] is for leaf tests only; typed "
                "options override it",
    },
    "--sheet": {"help": "sheet of a workbook"},
    "--goal-unit": {"help": "bu/ac, lb/ac, kg/ha, t/ha, ... (default: bu/ac where yields are reported so)"},
    "--unit": {
        "choices": ["lb/ac", "kg/ha"], "help": "unit of amounts (default: per acre or hectare, as the goal)"
    },
    "--column": {
        "type": named_column, "action": "append", "default": [], "metavar": "ROLE=HEADER",
        "help": "what a strip column holds, as in yield=\"Grain [t/ha]\" or block=Z; rate=\"A + B\" adds two "
                "columns; other=HEADER ignores one; repeatable",
    },
    "--real-yields": {
        "action": "store_true",
        "help": "accept zero and very low yields (default: refused as possibly lost strips)",
    },
    "--units": {"help": "units the strip file does not give, as in rate=lb/ac,yield=bu/ac"},
    "--analysis": {
        "metavar": "GRADE",
        "help": "analysis of the product, such as 28-0-0 or '46 %% P2O5': prices are then per unit of "
                "nutrient; 'none' keeps rates of product",
    },
    "--density": {
        "type": a_number, "metavar": "D",
        "help": "density of a liquid product: lb per gallon, or kg per liter with L/ha",
    },
    "--nutrient-price": {
        "type": a_number, "required": True, "metavar": "P",
        "help": "nutrient price per mass unit of the rate (per lb for lb/ac)",
    },
    "--grain-price": {
        "type": a_number, "required": True, "metavar": "P",
        "help": "grain price per unit of yield (per bu for bu/ac), in the same currency",
    },
    "--field": {"metavar": "NAME", "help": "only this field (default: a page for each)"},
    "--fact": {
        "action": "append", "default": [], "metavar": "NAME=VALUE",
        "help": "a field fact, as in ph=5.4, texture=sand or symptoms=none; repeatable",
    },
    "--words": {
        **FILE, "metavar": "FILE",
        "help": "TOML file with name, date, greeting and own (up to three sentences) for the sheet",
    },
    "--seed": {"type": int, "default": 0, "help": "random seed (default 0)"},
    "--currency": {"default": "", "help": "currency, for labels"},
    "--page": {**FILE, "help": "also write a page with figures and sources (HTML)"},
    "--workbook": {
        **FILE, "help": f"also write the tables as XLSX (needs the excel extra); {INERT}"
    },
    "--table": {**FILE, "help": f"also write every number as CSV; {INERT}"},
}  # fmt: skip
STRIP_FILE = ("--column", "--real-yields", "--units", "--sheet", "--analysis", "--density")
STUDIES = ("--source", "--without", "--region", "--own", "--profile")
SEVERAL = {
    "action": "extend", "type": keys, "metavar": "KEY",
    "help": "use only these sources, as A,B; the first leads (see: fertkit sources)",
}  # fmt: skip
LEAF_FILE = ("--cv", "--units", "--decimal", "--dates")
#: What these options mean for leaf reports.
OF_LEAVES = {
    "profile": {"help": "TOML file with source, without or region under [leaf]; above it only region and "
                        "own apply to leaf tests; typed options override it"},
    "cv": {"type": a_number, "metavar": "PERCENT",
           "help": "laboratory and sampling error together (default: placeholders)"},
    "units": {"help": "unit of macronutrients, or by nutrient: Zn=mg/kg,K=%%"},
    "column": {"help": "what a column holds, where its header does not say, as in sample_id=Code, stage=Wann "
                       "or \"K %%=Kalium\"; other=HEADER ignores one; repeatable"},
    "decimal": {**DECIMAL, "help": "decimal mark, if unclear"},
    "dates": {"help": "date order: dmy, mdy or ymd"},
}  # fmt: skip
PRICES = ("--nutrient-price", "--grain-price", "--seed")
WRITTEN = ("--page", "--workbook", "--table")

#: What a season plan follows.
POLICY = {"action": "append", "metavar": "NUTRIENT=WHAT,...|FILE",
           "help": "sufficiency, build, 'build 6' (years), removal, trial, none, a system or a rate [lb/ac], "
                   "as in N=165,K=none; or a table: field, crop, year, one column per nutrient"}  # fmt: skip
CAP = {"action": "append", "metavar": "NUTRIENT=RATE,...|FILE", "help": "highest rates [lb/ac]"}
LIMIT = {"type": a_number, "metavar": "MONEY", "help": "spending limit of the season"}


def ask(commands, name, run, about, example, *options, **own):
    """Add a question with options, unless another is asked.

    `own` gives what an option means there, by its name without dashes.
    """
    if getattr(commands, "asked", None) not in (None, name):
        return None
    command = commands.add_parser(name, help=about, description=about, epilog=f"example: fertkit {example}")
    command.set_defaults(run=run)
    for option in options:
        asked = own.pop(option.lstrip("-").replace("-", "_"), {})
        command.add_argument(option, **OPTIONS.get(option, {}) | asked)
    return command
