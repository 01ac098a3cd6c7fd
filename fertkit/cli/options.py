"""Options of the command line: their types, what they mean wherever they are asked, and how one is asked."""

import argparse
from pathlib import Path


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
    if not text.strip().endswith("%"):
        return a_number(text)
    percent = a_number(text.strip().removesuffix("%").strip())
    if 0 < percent <= 1:
        raise argparse.ArgumentTypeError(f"'{text}' may be a share: write it as a share")
    return percent / 100


def keys(text):
    return [key.strip() for key in text.split(",") if key.strip()]


def named_column(text):
    role, mark, header = text.partition("=")
    if not (mark and role.strip() and header.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is no ROLE=HEADER, as in yield=\"Grain [t/ha]\"")
    return role.strip().lower(), header.strip()


def a_length(text):
    """A length with its unit: 30ft, 9.1 m."""
    number, unit = text.rstrip("abcdefghijklmnopqrstuvwxyz "), text.lstrip("0123456789., ")
    if not number or not unit:
        raise argparse.ArgumentTypeError(f"'{text}' is no length with its unit, as in 30ft")
    return a_number(number), unit


def a_cost(text):
    """The cost of a treatment per area: NAME=14.50, or price times rate, NAME=0.45x30."""
    from fertkit.intake.numbers import read_product

    name, mark, amount = text.rpartition("=")
    if not (mark and name.strip() and amount.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is no NAME=COST, as in Product=14.50 or Product=0.45x30")
    try:
        return name.strip(), read_product(amount)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def two_names(text):
    spelling, mark, field = text.partition("=")
    if not (mark and spelling.strip() and field.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is no SPELLING=FIELD, as in \"Heron Qtr=Heron Quarter\"")
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
    pairs = [part.partition("=") for part in text.split(",") if part.strip()]
    return {name.strip(): a_number(value.strip()) for name, _, value in pairs}


INERT = "text that a spreadsheet could take for a formula gets an apostrophe in front"
LABORATORY_FILE = "laboratory file (CSV, TSV, XLSX, XLS, ODS)"
DECIMAL = {"choices": [".", ","]}
FILE = {"type": Path}

#: Options that mean the same wherever they are asked.
OPTIONS = {
    "--crop": {"help": "crop, where the file does not say"},
    "--stage": {"help": "growth stage of the leaf, where the file does not say, e.g. R2"},
    "--part": {
        "help": "plant part, where the file does not say, e.g. 'ear leaf'; 'trifoliate without petiole' "
        "completes 'trifoliate' of the file"
    },
    "--ranges": {**FILE, "help": "your own table of ranges instead of the bundled ones"},
    "--source": {"help": "one source key only (see: fertkit sources)"},
    "--without": {"action": "append", "metavar": "KEY", "help": "leave a source out; repeatable"},
    "--region": {
        "help": "let the studies of a region decide, e.g. 'US Midwest'; of leaf tests, sources and ranges of "
        "your choice decide whatever the region",
    },
    "--own": {
        **FILE, "action": "append", "metavar": "FILE",
        "help": "table of your own, whose rows lead, also of an unknown crop: removal, uptake, timing, days "
        "of stages, leaf ranges, soil systems, levels or rates; its columns tell which; repeatable",
    },
    "--profile": {
        **FILE, "metavar": "FILE",
        "help": "TOML file of your own with any of source, without, region and own; what stands under [leaf] "
        "is about leaf tests alone; what is typed goes first",
    },
    "--sheet": {"help": "sheet of a workbook"},
    "--goal-unit": {"help": "bu/ac, lb/ac, kg/ha, t/ha, ... (default: bu/ac where yields are reported so)"},
    "--unit": {
        "choices": ["lb/ac", "kg/ha"], "help": "unit of the amounts (default: as the goal, acre or hectare)"
    },
    "--column": {
        "type": named_column, "action": "append", "default": [], "metavar": "ROLE=HEADER",
        "help": "what a column of the strip file holds, where its header does not tell, as in "
        "yield=\"Grain [t/ha]\" or block=Z; rate=\"A + B\" for the sum of two columns; other=HEADER for a "
        "column that is none of these; repeatable",
    },
    "--real-yields": {
        "action": "store_true",
        "help": "zeros and very low yields of the strip file were measured (default: they are asked about, "
        "for a lost strip has no yield)",
    },
    "--units": {"help": "units that the strip file does not say, as in rate=lb/ac,yield=bu/ac"},
    "--analysis": {
        "metavar": "GRADE",
        "help": "what the product holds whose rates the file gives, such as 28-0-0 or '46 %% P2O5'; prices "
        "are per unit of the nutrient then; 'none' leaves the rates in amounts of the product",
    },
    "--density": {
        "type": a_number, "metavar": "D",
        "help": "weight of the product where rates are volumes: lb per gallon, or kg per liter with L/ha",
    },
    "--nutrient-price": {
        "type": a_number, "required": True, "metavar": "P",
        "help": "price of a unit of the nutrient, in the rate's unit of mass (per lb for lb/ac, ...)",
    },
    "--grain-price": {
        "type": a_number, "required": True, "metavar": "P",
        "help": "price of a unit of grain, in the yield's unit (per bu for bu/ac, per t for t/ha); prices in "
        "one currency of your own; only their ratio moves the optimum",
    },
    "--field": {"metavar": "NAME", "help": "one field of the files (default: a page for each)"},
    "--fact": {
        "action": "append", "default": [], "metavar": "NAME=VALUE",
        "help": "what is known of the field, as in ph=5.4, texture=sand or symptoms=none; repeatable",
    },
    "--words": {
        **FILE, "metavar": "FILE",
        "help": "TOML file of what you add to the sheet: name, date, greeting, own (up to three sentences)",
    },
    "--seed": {"type": int, "default": 0, "help": "seed of the resampling (default 0)"},
    "--currency": {"default": "", "help": "name of your money, for labels only"},
    "--page": {**FILE, "help": "also write a page with figures and sources (HTML)"},
    "--workbook": {
        **FILE, "help": f"also write its tables to this XLSX file (needs the excel extra); {INERT}"
    },
    "--table": {**FILE, "help": f"also write every number to this CSV file; {INERT}"},
}  # fmt: skip
STRIP_FILE = ("--column", "--real-yields", "--units", "--sheet", "--analysis", "--density")
STUDIES = ("--source", "--without", "--region", "--own", "--profile")
SEVERAL = {
    "action": "extend", "type": keys, "metavar": "KEY",
    "help": "this source only; repeatable or as A,B; the first leads (see: fertkit sources)",
}  # fmt: skip
LEAF_FILE = ("--cv", "--units", "--decimal", "--dates")
#: What these options mean for leaf reports.
OF_LEAVES = {
    "profile": {"help": "TOML file of your own with any of source, without and region below a line [leaf]; "
                "of what stands above it only region and own count here; what is typed goes first"},
    "cv": {"type": float, "metavar": "PERCENT",
           "help": "error of laboratory and sampling together, instead of the placeholders"},
    "units": {"help": "unit of the macronutrients, or by nutrient: Zn=mg/kg,K=%%"},
    "decimal": {**DECIMAL, "help": "decimal mark, if the file does not tell it"},
    "dates": {"help": "order of dates: dmy, mdy or ymd"},
}  # fmt: skip
PRICES = ("--nutrient-price", "--grain-price", "--seed")
WRITTEN = ("--page", "--workbook", "--table")

#: What a season plan follows.
POLICY = {"action": "append", "metavar": "NUTRIENT=WHAT|FILE",
           "help": "sufficiency, build, 'build 6' (years), removal, trial, none, a system or a rate "
           "[lb/ac], as in N=165; or a table: field, crop, year, a column a nutrient"}  # fmt: skip
CAP = {"action": "append", "metavar": "NUTRIENT=RATE|FILE", "help": "highest rates [lb/ac]"}
LIMIT = {"type": a_number, "metavar": "MONEY", "help": "most that may be spent on the season"}


def ask(commands, name, run, about, example, *options, **own):
    """Add a question with options; `own` gives what an option means there, by its name without dashes."""
    command = commands.add_parser(name, help=about, description=about, epilog=f"example: fertkit {example}")
    command.set_defaults(run=run)
    for option in options:
        asked = own.pop(option.lstrip("-").replace("-", "_"), {})
        command.add_argument(option, **OPTIONS.get(option, {}) | asked)
    return command
