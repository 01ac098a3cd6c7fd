"""What can be asked on the command line: the questions and their options."""

import argparse
from pathlib import Path

from fertkit.cli import answers

_INERT = "text that a spreadsheet could take for a formula gets an apostrophe in front"
_PART = (
    "plant part, where the file does not say, e.g. 'ear leaf'; 'trifoliate without petiole' completes "
    "'trifoliate' of the file"
)
_PRICES = "prices in one currency of your own; only their ratio moves the optimum"


def _command(commands, name, run, help_text, example):
    command = commands.add_parser(
        name,
        help=help_text,
        description=help_text,
        epilog=f"example: {example}",
    )
    command.set_defaults(run=run)
    return command


def _number(text):
    """A number with a decimal point or comma."""
    from fertkit.intake.numbers import read_typed

    try:
        return read_typed(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _named_column(text):
    role, mark, header = text.partition("=")
    if not (mark and role.strip() and header.strip()):
        raise argparse.ArgumentTypeError(f"'{text}' is no ROLE=HEADER, as in yield=\"Grain [t/ha]\"")
    return role.strip().lower(), header.strip()


def _add_money(command):
    command.add_argument("--currency", default="", help="name of your money, for labels only")


def _add_column(command):
    command.add_argument(
        "--column", type=_named_column, action="append", default=[], metavar="ROLE=HEADER",
        help="what a column of the strip file holds, where its header does not tell, as in "
        "yield=\"Grain [t/ha]\" or block=Z; rate=\"A + B\" for the sum of two columns; other=HEADER for a "
        "column that is none of these; repeatable",
    )  # fmt: skip


def _add_real_yields(command):
    command.add_argument(
        "--real-yields", action="store_true",
        help="zeros and very low yields of the strip file were measured (default: they are asked about, for "
        "a lost strip has no yield)",
    )  # fmt: skip


def _add_strip_reading(command):
    command.add_argument(
        "--units", help="units that the strip file does not say, as in rate=lb/ac,yield=bu/ac"
    )
    command.add_argument("--sheet", help="sheet of a workbook of strips")
    command.add_argument(
        "--analysis", metavar="GRADE",
        help="what the product holds whose rates the file gives, such as 28-0-0 or '46 %% P2O5'; prices are "
        "per unit of the nutrient then; 'none' leaves the rates in amounts of the product",
    )  # fmt: skip
    command.add_argument(
        "--density", type=_number, metavar="D",
        help="weight of the product where rates are volumes: lb per gallon, or kg per liter with L/ha",
    )  # fmt: skip


def _add_prices(command):
    command.add_argument(
        "--nutrient-price", type=_number, required=True, metavar="P",
        help="price of a unit of the nutrient, in the rate's unit of mass (per lb for lb/ac, ...)",
    )  # fmt: skip
    command.add_argument(
        "--grain-price", type=_number, required=True, metavar="P",
        help="price of a unit of grain, in the yield's unit (per bu for bu/ac, per t for t/ha); " + _PRICES,
    )  # fmt: skip
    command.add_argument("--seed", type=int, default=0, help="seed of the resampling (default 0)")


def _add_units(command):
    command.add_argument(
        "--goal-unit", help="bu/ac, lb/ac, kg/ha, t/ha, ... (default: bu/ac where yields are reported so)"
    )
    command.add_argument(
        "--unit",
        choices=["lb/ac", "kg/ha"],
        help="unit of the amounts (default: as the goal, acre or hectare)",
    )


def add_field(commands):
    command = _command(
        commands, "field", answers.run_field,
        "answer for one field: needs, leaf test, strip trial, optimum rate; print it and write a page",
        "fertkit field --crop soybean --goal 60 --leaf leaf_tests.csv --strips soybean_k_strips.csv "
        "--nutrient-price 0.45 --grain-price 11 --page field.html",
    )  # fmt: skip
    command.add_argument("--crop", required=True, help="crop, e.g. soybean, corn, wheat")
    command.add_argument(
        "--goal", type=_number, required=True, metavar="YIELD", help="yield goal [--goal-unit]"
    )
    _add_units(command)
    command.add_argument(
        "--leaf", type=Path, required=True, help="laboratory file (CSV, TSV, XLSX, XLS, ODS)"
    )
    command.add_argument("--stage", help="growth stage of the leaf, where the file does not say, e.g. R2")
    command.add_argument("--part", help=_PART)
    command.add_argument("--ranges", type=Path, help="your own table of ranges instead of the bundled ones")
    command.add_argument("--strips", type=Path, required=True, help="strip file: block, rate, yield, ...")
    _add_column(command)
    _add_real_yields(command)
    _add_strip_reading(command)
    _add_prices(command)
    _add_money(command)
    command.add_argument(
        "--page", type=Path, default=Path("field.html"), help="page to write (default field.html)"
    )
    _add_workbook(command)


def add_needs(commands):
    command = _command(
        commands, "needs", answers.run_needs,
        "what a crop takes up, what leaves with the harvest and what stays, by source",
        "fertkit needs soybean 80",
    )  # fmt: skip
    command.add_argument("crop")
    command.add_argument("goal", type=_number, metavar="YIELD", help="yield goal [--goal-unit]")
    _add_units(command)
    command.add_argument("--source", help="one source key only (see: fertkit sources)")
    _add_table(command, "every source's figures")


def add_leaf(commands):
    command = _command(
        commands, "leaf", answers.run_leaf,
        "score leaf tests against published sufficiency ranges and explain what is short",
        "fertkit leaf leaf_tests.csv --crop soybean",
    )  # fmt: skip
    command.add_argument("file", type=Path, help="laboratory file (CSV, TSV, XLSX, XLS, ODS)")
    command.add_argument("--crop", help="crop, where the file does not say")
    command.add_argument("--stage", help="growth stage, where the file does not say, e.g. R2")
    command.add_argument("--part", help=_PART)
    command.add_argument("--source", help="one source key only (see: fertkit sources)")
    command.add_argument("--ranges", type=Path, help="your own table of ranges instead of the bundled ones")
    command.add_argument(
        "--cv", type=float, metavar="PERCENT",
        help="error of laboratory and sampling together, instead of the placeholders",
    )  # fmt: skip
    command.add_argument("--units", help="unit of the macronutrients, or by nutrient: Zn=mg/kg,K=%%")
    command.add_argument("--decimal", choices=[".", ","], help="decimal mark, if the file does not tell it")
    command.add_argument("--dates", help="order of dates: dmy, mdy or ymd")
    command.add_argument("--sheet", help="sheet of a workbook")
    _add_table(command, "every score")


def add_strips(commands):
    command = _command(
        commands, "strips", answers.run_strips,
        "fit response curves to a strip trial and find the economic optimum rate with its interval",
        "fertkit strips soybean_k_strips.csv --crop soybean --nutrient-price 0.45 --grain-price 11",
    )  # fmt: skip
    command.add_argument(
        "file", type=Path, help="strip file: trial, block, rate, yield, optional moisture, ..."
    )
    command.add_argument("--crop", help="crop, for the trade moisture when the file gives moisture")
    _add_column(command)
    _add_real_yields(command)
    _add_strip_reading(command)
    _add_prices(command)
    _add_table(command, "the comparison of curves")
    command.add_argument("--trial", metavar="NAME", help="this trial only, where the file holds several")
    command.add_argument(
        "--together", action="store_true",
        help="page and workbook of all trials of the file together: each site, the pooled gain, one rate",
    )  # fmt: skip
    command.add_argument("--page", type=Path, help="also write a page with figures and sources (HTML)")
    _add_workbook(command)
    command.add_argument(
        "--within", type=_number, metavar="MONEY",
        help="loss of net return per area that still counts as nearly as good as the best (default: 5 %% of "
        "the net return gained; common practice, no source)",
    )  # fmt: skip
    command.add_argument(
        "--price-swing", type=_number, metavar="PCT",
        help="let both prices vary by this coefficient of variation in the risk on the page (default: fixed)",
    )  # fmt: skip
    _add_money(command)


def _add_table(command, what):
    command.add_argument("--table", type=Path, help=f"also write {what} to this CSV file; {_INERT}")


def _add_workbook(command):
    command.add_argument(
        "--workbook", type=Path,
        help="also write its tables to this XLSX file (needs the excel extra); " + _INERT,
    )  # fmt: skip


def add_batch(commands):
    command = _command(
        commands, "batch", None,
        "many trials or leaf samples at once: one table and a page; a stopped run goes on where it ended",
        "fertkit batch trials trials.parquet --out results --nutrient-price 0.45 --grain-price 11",
    )  # fmt: skip
    kinds = command.add_subparsers(required=True, metavar="trials|samples")
    for kind, what, example in (
        ("trials", "economic optimum rate of every trial", "--nutrient-price 0.45 --grain-price 11"),
        ("samples", "every leaf sample scored against the published ranges", "--crop corn"),
    ):
        one = _command(
            kinds, kind, answers.run_batch, what, f"fertkit batch {kind} {kind} --out results {example}"
        )
        one.set_defaults(kind=kind, stopped="stopped; the same command goes on where it ended")
        _add_batch_options(one)
        if kind == "trials":
            _add_column(one)
            _add_real_yields(one)
            _add_strip_reading(one)
            _add_prices(one)
            one.add_argument("--level", type=_number, default=0.95, help="confidence level (default 0.95)")
            one.add_argument(
                "--by", nargs="+", metavar="COLUMN", help="columns of a data set that tell trials apart"
            )
            one.add_argument("--pages", action="store_true", help="also a page for each usable trial (slow)")
        else:
            one.add_argument("--ranges", type=Path, help="your own table of ranges instead of the bundled")
            one.add_argument("--source", dest="source_keys", help="one source key only")


def _add_batch_options(command):
    command.add_argument(
        "source", type=Path, help="folder of files, Parquet file or folder of them, or CSV data set"
    )
    command.add_argument(
        "--out", type=Path, required=True, help="folder for the table, the page and the parts"
    )
    command.add_argument("--crop", help="crop, where the files do not say")
    command.add_argument(
        "--decimal", choices=[".", ","],
        help="decimal mark of a data set or of laboratory files, if they do not tell it; strip files do",
    )  # fmt: skip
    command.add_argument("--part-size", type=int, metavar="N", help="trials or samples worked together")
    command.add_argument("--quiet", action="store_true", help="show no progress bar")
    where = command.add_mutually_exclusive_group()
    where.add_argument(
        "--workers", type=int, metavar="N",
        help="work in N processes (default: as many as there are cores, where that pays)",
    )  # fmt: skip
    where.add_argument(
        "--scheduler", metavar="ADDRESS", help="work on the Dask cluster at this address (extra 'cluster')"
    )


def add_sources(commands):
    command = _command(
        commands, "sources", answers.run_sources,
        "list the publications behind the numbers, or cite some of them", "fertkit sources STAMMER2018",
    )  # fmt: skip
    command.add_argument("keys", nargs="*", metavar="KEY", help="source keys as the outputs show them")


def add_words(commands):
    command = _command(
        commands,
        "words",
        answers.run_words,
        "explain the trade's terms that the outputs use",
        "fertkit words plateau",
    )
    command.add_argument("word", nargs="*", metavar="WORD", help="part of a term (default: all terms)")


def add_limits(commands):
    command = _command(
        commands,
        "limits",
        answers.run_limits,
        "what the kit cannot know, and what to do about it",
        "fertkit limits tissue",
    )
    command.add_argument("topic", nargs="?", help="budget, tissue, trials, response or safety (default: all)")


def add_open(commands):
    command = _command(
        commands, "open", answers.run_open,
        "open the notebooks in the browser, on this machine only",
        "fertkit open",
    )  # fmt: skip
    command.add_argument(
        "--pages", action="store_true", help="as pages without code (needs the workshop extra)"
    )
    command.add_argument(
        "--room",
        action="store_true",
        help="for a class: kernels kept warm, idle ones ended; other "
        "machines cannot reach it, so share one machine or let each laptop have its own install",
    )
    command.add_argument("--port", type=int, help="port on the loopback address (default: a free one)")


#: In the order in which the help lists them.
ADD_QUESTION = (
    add_field, add_needs, add_leaf, add_strips, add_batch, add_sources, add_words, add_limits, add_open,
)  # fmt: skip
