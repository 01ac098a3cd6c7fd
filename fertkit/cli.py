"""The command line: one subcommand a question, each a thin call on the library."""

import argparse
import sys
from contextlib import redirect_stdout
from pathlib import Path

from fertkit import __version__
from fertkit.errors import FertkitError, LookupFailed, NotEstimable, harmless, shorten

_INERT = "text that a spreadsheet could take for a formula gets an apostrophe in front"
_PART = (
    "plant part, where the file does not say, e.g. 'ear leaf'; 'trifoliate without petiole' completes "
    "'trifoliate' of the file"
)
_PRICES = "prices in one currency of your own; only their ratio moves the optimum"


def main(argv=None) -> int:
    """Run the command line; give 0, 2 when the input cannot be used, or 130 when it is stopped."""
    arguments = None
    try:
        parser = _parser()
        arguments = parser.parse_args(argv)
        with redirect_stdout(_Shown(sys.stdout)):
            arguments.run(arguments) if arguments.run else parser.print_help()
    except FertkitError as error:
        print(harmless(f"fertkit: {error}"), file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print(f"fertkit: {getattr(arguments, 'stopped', 'stopped')}", file=sys.stderr)
        return 130
    except BrokenPipeError:  # the reader of the pipe has seen enough
        sys.stdout = None
    except OSError as error:
        print(harmless(f"fertkit: {error.filename or 'file'}: {error.strerror}"), file=sys.stderr)
        return 2
    return 0


class _Shown:
    """Standard output that marks characters which would steer a terminal."""

    def __init__(self, out):
        self._out = out

    def write(self, text):
        return self._out.write(harmless(text))

    def flush(self):
        self._out.flush()


def _parser():
    parser = argparse.ArgumentParser(
        prog="fertkit",
        description="Crop nutrition field by field: needs, leaf tests, strip trials, optimum rate.",
    )
    parser.add_argument("--version", action="version", version=f"fertkit {__version__}")
    parser.set_defaults(run=None)
    commands = parser.add_subparsers(metavar="QUESTION", title="questions")
    for add in (
        _add_field,
        _add_needs,
        _add_leaf,
        _add_strips,
        _add_batch,
        _add_sources,
        _add_words,
        _add_limits,
        _add_open,
    ):
        add(commands)
    return parser


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


def _columns(arguments):
    """Role -> headers, as the command line names them."""
    named = {}
    for role, header in arguments.column:
        named.setdefault(role, []).append(header)
    return named


def _add_money(command):
    command.add_argument("--currency", default="", help="name of your money, for labels only")


def _add_column(command):
    command.add_argument(
        "--column", type=_named_column, action="append", default=[], metavar="ROLE=HEADER",
        help="what a column of the strip file holds, where its header does not tell, as in "
        "yield=\"Grain [t/ha]\" or block=Z; other=HEADER for a column that is none of these; repeatable",
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
    command.add_argument("--goal-unit", default="bu/ac", help="bu/ac (default), lb/ac, kg/ha, t/ha, ...")
    command.add_argument(
        "--unit",
        choices=["lb/ac", "kg/ha"],
        help="unit of the amounts (default: as the goal, acre or hectare)",
    )


def _add_field(commands):
    command = _command(
        commands, "field", _run_field,
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
    _add_prices(command)
    _add_money(command)
    command.add_argument(
        "--page", type=Path, default=Path("field.html"), help="page to write (default field.html)"
    )
    _add_workbook(command)


def _add_needs(commands):
    command = _command(
        commands, "needs", _run_needs,
        "what a crop takes up, what leaves with the harvest and what stays, by source",
        "fertkit needs soybean 80",
    )  # fmt: skip
    command.add_argument("crop")
    command.add_argument("goal", type=_number, metavar="YIELD", help="yield goal [--goal-unit]")
    _add_units(command)
    command.add_argument("--source", help="one source key only (see: fertkit sources)")
    _add_table(command, "every source's figures")


def _add_leaf(commands):
    command = _command(
        commands, "leaf", _run_leaf,
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


def _add_strips(commands):
    command = _command(
        commands, "strips", _run_strips,
        "fit response curves to a strip trial and find the economic optimum rate with its interval",
        "fertkit strips soybean_k_strips.csv --crop soybean --nutrient-price 0.45 --grain-price 11",
    )  # fmt: skip
    command.add_argument(
        "file", type=Path, help="strip file: trial, block, rate, yield, optional moisture, ..."
    )
    command.add_argument("--crop", help="crop, for the trade moisture when the file gives moisture")
    _add_column(command)
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


def _add_batch(commands):
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
        one = _command(kinds, kind, _run_batch, what, f"fertkit batch {kind} {kind} --out results {example}")
        one.set_defaults(kind=kind, stopped="stopped; the same command goes on where it ended")
        _add_batch_options(one)
        if kind == "trials":
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
    command.add_argument("--part-size", type=int, metavar="N", help="trials or samples worked together")
    command.add_argument("--quiet", action="store_true", help="show no progress bar")
    where = command.add_mutually_exclusive_group()
    where.add_argument("--workers", type=int, metavar="N", help="work in N processes (extra 'cluster')")
    where.add_argument("--scheduler", metavar="ADDRESS", help="work on the Dask cluster at this address")
    command.add_argument(
        "--memory-limit",
        default="2GB",
        metavar="SIZE",
        help="memory of each of the N processes (default 2GB)",
    )


def _add_sources(commands):
    command = _command(
        commands, "sources", _run_sources, "list the publications behind the numbers, or cite some of them",
        "fertkit sources STAMMER2018",
    )  # fmt: skip
    command.add_argument("keys", nargs="*", metavar="KEY", help="source keys as the outputs show them")


def _add_words(commands):
    command = _command(
        commands,
        "words",
        _run_words,
        "explain the trade's terms that the outputs use",
        "fertkit words plateau",
    )
    command.add_argument("word", nargs="*", metavar="WORD", help="part of a term (default: all terms)")


def _add_limits(commands):
    command = _command(
        commands,
        "limits",
        _run_limits,
        "what the kit cannot know, and what to do about it",
        "fertkit limits tissue",
    )
    command.add_argument("topic", nargs="?", help="budget, tissue, trials, response or safety (default: all)")


def _add_open(commands):
    command = _command(
        commands, "open", _run_open,
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


def _run_field(arguments):
    from fertkit.report.answer import answer_field
    from fertkit.report.field import field_lines, field_page
    from fertkit.writing import write_whole

    answer = answer_field(
        arguments.crop,
        arguments.goal,
        arguments.goal_unit,
        leaf=arguments.leaf,
        stage=arguments.stage,
        part=arguments.part,
        strips=arguments.strips,
        nutrient_price=arguments.nutrient_price,
        grain_price=arguments.grain_price,
        ranges=arguments.ranges,
        unit=arguments.unit,
        columns=_columns(arguments),
        currency=arguments.currency,
        seed=arguments.seed,
    )
    page = write_whole(field_page(answer), arguments.page)
    _write_workbook(answer, arguments.workbook)
    print("\n".join(field_lines(answer)))
    print(f"Page with figures and sources: {page}. Notebooks: fertkit open")


def _run_needs(arguments):
    from fertkit.budget import nutrient_budget
    from fertkit.report.answer import amount_unit

    unit = arguments.unit or amount_unit(arguments.goal_unit)
    budget = nutrient_budget(
        arguments.crop, arguments.goal, arguments.goal_unit, unit=unit, source=arguments.source
    )
    _show(budget, arguments.table)


def _run_leaf(arguments):
    from fertkit.intake import read_tissue
    from fertkit.tissue import explain, score_tissue

    samples = read_tissue(
        arguments.file, crop=arguments.crop, stage=arguments.stage, part=arguments.part,
        date_format=arguments.dates, units=_units(arguments.units), decimal=arguments.decimal,
        sheet=arguments.sheet,
    )  # fmt: skip
    scores = score_tissue(samples, arguments.ranges, source=arguments.source, cvs=arguments.cv)
    if (scores.table["source_key"] == "").all():
        raise NotEstimable(f"{arguments.file.name}: nothing could be judged\n{scores.summary()}")
    print("\n".join(samples.summary().splitlines()[1:]) or "The file was read as it stands.")
    _show(scores, arguments.table)
    said = {line.casefold() for line in scores.summary().splitlines()}
    told = explain(scores).summary().splitlines()
    print("\n".join(line for line in told if line.casefold() not in said))


def _units(text):
    """Units as typed: one for the macronutrients, or nutrient=unit,nutrient=unit."""
    if not text or "=" not in text:
        return text
    return dict(tuple(word.strip() for word in pair.partition("=")[::2]) for pair in text.split(","))


def _run_strips(arguments):
    import pandas as pd

    from fertkit.intake import read_strips

    strips = read_strips(arguments.file, crop=arguments.crop, columns=_columns(arguments))
    whole = arguments.page or arguments.workbook or arguments.together
    trials = _answer_strips(strips, arguments) if whole else _print_trials(strips, arguments)
    if arguments.table:
        tables = {name: trial.table for name, trial in trials.items()}
        _write_table(pd.concat(tables, names=["trial"]).reset_index("trial"), arguments.table)


def _print_trials(strips, arguments):
    """Print what each trial says; give their analyses by name."""
    from fertkit.report.answer import analyse_each
    from fertkit.report.trial_answer import stands_out, trial_rows

    table = trial_rows(strips, arguments.trial)[0] if arguments.trial else strips.table
    trials, refused = analyse_each(table, arguments.nutrient_price, arguments.grain_price, arguments.seed)
    told = "\n".join(f"trial {name}: {why}" for name, why in refused.items())
    if not trials:
        raise NotEstimable(told)
    for name, trial in trials.items():
        print(f"{name}{f', {strips.nutrient}' if strips.nutrient else ''}")
        far = stands_out(trial_rows(strips, name)[0])
        print(f"{far}\n{trial.summary()}\n" if far else f"{trial.summary()}\n")
    for note in strips.notes:
        print(f"Note: {note}.")
    if told:
        print(f"Not analysed:\n{told}")
    return trials


def _answer_strips(strips, arguments):
    """Answer for one trial or for all together, write page and workbook; give the analyses by name."""
    from fertkit import report

    asked = {
        "nutrient_price": arguments.nutrient_price, "grain_price": arguments.grain_price,
        "within": arguments.within, "currency": arguments.currency, "seed": arguments.seed,
    }  # fmt: skip
    if arguments.together:
        answer = report.answer_network(strips, **asked)
        trials, lines, page = answer.trials, report.network_lines, report.network_page
    else:
        swing = arguments.price_swing
        answer = report.answer_trial(strips, name=arguments.trial, price_swing_pct=swing, **asked)
        trials, lines, page = {answer.name: answer.response}, report.trial_lines, report.trial_page
    written = arguments.page and report.write_whole(page(answer), arguments.page)
    _write_workbook(answer, arguments.workbook)
    print("\n".join(lines(answer)))
    if written:
        print(f"Page with figures and sources: {written}.")
    return trials


def _run_batch(arguments):
    from contextlib import nullcontext

    from fertkit.batch import local_cluster, run_batch

    wanted = (
        "nutrient_price",
        "grain_price",
        "seed",
        "level",
        "by",
        "ranges",
        "source_keys",
        "crop",
        "part_size",
        "pages",
    )
    options = {name: value for name, value in vars(arguments).items() if name in wanted}
    start = nullcontext(arguments.scheduler)
    if arguments.workers:
        start = local_cluster(arguments.workers, arguments.memory_limit)
    with start as client:
        result = run_batch(
            arguments.source,
            arguments.out,
            arguments.kind,
            progress=not arguments.quiet,
            client=client,
            **options,
        )
    print(f"{result.summary()}\nPage: {result.index}")


def _run_sources(arguments):
    from fertkit.reference import list_sources

    known = {key.lower(): key for key in list_sources()["source_key"]}
    held = [known[key.lower()] for key in arguments.keys if key.lower() in known]
    for source in list_sources(held if arguments.keys else None).itertuples():
        mark = "" if source.obtained == "found" else f" [{source.obtained}]"
        print(f"{source.source_key}: {source.citation} {source.address}".rstrip() + mark)
    missed = [_missed(key, known) for key in arguments.keys if key.lower() not in known]
    if missed:
        raise LookupFailed("; ".join(missed) + ". All keys: fertkit sources")


def _missed(key, known):
    from difflib import get_close_matches

    near = ", ".join(known[k] for k in get_close_matches(key.lower(), known, n=5, cutoff=0.5))
    return f"unknown source key '{shorten(key)}'" + (f", much like it: {near}" if near else "")


def _run_words(arguments):
    from fertkit.reference import glossary

    for row in glossary(" ".join(arguments.word)).itertuples():
        also = f" (also {row.also})" if row.also else ""
        print(f"{row.term}{also}: {row.meaning} [fertkit.{row.see}]")


def _run_limits(arguments):
    from fertkit.reference import list_limits

    for row in list_limits(arguments.topic).itertuples():
        print(f"{row.topic}, {row.about}: {row.limit} {row.what_to_do}")


def _run_open(arguments):
    from fertkit.panels.serve import open_notebooks

    open_notebooks(page=arguments.pages, room=arguments.room, port=arguments.port)


def _show(result, table):
    print(result.summary())
    if table:
        _write_table(result.table, table)


def _write_table(frame, path):
    from fertkit.report.cells import inert_table
    from fertkit.writing import write_whole

    print(f"Table: {write_whole(inert_table(frame).to_csv(index=False), path)}")


def _write_workbook(answer, path):
    from fertkit.report.workbook import write_workbook

    if path:
        print(f"Workbook: {write_workbook(answer, path)}")


if __name__ == "__main__":
    sys.exit(main())
