"""The answers of the command line: each question put to the library, and what is printed or written."""

from fertkit.errors import FertkitError, LookupFailed, NotEstimable, UnitError, shorten
from fertkit.results import plain
from fertkit.say.line import notes


def _columns(arguments):
    """Role -> headers, as the command line names them."""
    named = {}
    for role, header in arguments.column:
        named.setdefault(role, []).append(header)
    return named


def run_field(arguments):
    from fertkit.report.answer import answer_field
    from fertkit.report.field import field_page
    from fertkit.writing import write_whole

    answer = answer_field(
        arguments.crop,
        arguments.goal,
        arguments.goal_unit,
        leaf=arguments.leaf,
        stage=arguments.stage,
        part=arguments.part,
        strips=_read_strips(arguments.strips, arguments),
        nutrient_price=arguments.nutrient_price,
        grain_price=arguments.grain_price,
        ranges=arguments.ranges,
        unit=arguments.unit,
        currency=arguments.currency,
        seed=arguments.seed,
    )
    page = write_whole(field_page(answer), arguments.page)
    _write_workbook(answer, arguments.workbook)
    print(answer.summary())
    print(f"Page with figures and sources: {page}. Notebooks: fertkit open")


def run_needs(arguments):
    from fertkit.budget.needs import nutrient_budget
    from fertkit.budget.yields import amount_unit

    unit = arguments.unit or amount_unit(arguments.goal_unit)
    budget = nutrient_budget(
        arguments.crop, arguments.goal, arguments.goal_unit, unit=unit, source=arguments.source
    )
    _show(budget, arguments.table)


def run_leaf(arguments):
    from fertkit.intake.tissue import read_tissue
    from fertkit.tissue.causes import explain
    from fertkit.tissue.score import score_tissue

    samples = read_tissue(
        arguments.file, crop=arguments.crop, stage=arguments.stage, part=arguments.part,
        date_format=arguments.dates, units=_units(arguments.units), decimal=arguments.decimal,
        sheet=arguments.sheet,
    )  # fmt: skip
    scores = score_tissue(samples, arguments.ranges, source=arguments.source, cvs=arguments.cv)
    if (scores.table["source_key"] == "").all():
        raise NotEstimable(f"{arguments.file.name}: nothing could be judged\n{scores.summary()}")
    first, *told = explain(scores).lines()
    print(_text([*_pairs(samples), f"Verdict: {first}"]))
    print(_text(samples.lines()[1:]) or "The file was read as it stands.")
    _show(scores, arguments.table)
    said = scores.lines()
    print(_text(line for line in told if line not in said))


def _text(lines):
    return "\n".join(map(str, lines))


def _pairs(samples):
    """The comparison of good and poor areas, where a file holds both; it leads the answer."""
    from fertkit.tissue.pairs import compare_pairs

    if not {"good", "poor"} <= set(samples.table["area"]):
        return []
    try:
        return compare_pairs(samples).lines()
    except FertkitError as error:
        return [f"Good and poor areas not compared: {error}"]


def _units(text):
    """Units as typed: one for the macronutrients, or nutrient=unit,nutrient=unit."""
    if not text or "=" not in text:
        return text
    return dict(tuple(word.strip() for word in pair.partition("=")[::2]) for pair in text.split(","))


def run_strips(arguments):
    import pandas as pd

    strips = _read_strips(arguments.file, arguments)
    whole = arguments.page or arguments.workbook or arguments.together
    if not strips.rate_column and not whole:
        trials = _print_means(strips, arguments)
    else:
        trials = _answer_strips(strips, arguments) if whole else _print_trials(strips, arguments)
    if arguments.table:
        tables = {name: trial.table for name, trial in trials.items()}
        _write_table(pd.concat(tables, names=["trial"]).reset_index("trial"), arguments.table)


def _read_strips(file, arguments):
    """Strips of a file, read as the command line says."""
    from fertkit.intake.strips import read_strips

    return read_strips(file, crop=arguments.crop, **_reading(arguments))


def _reading(arguments):
    """How strip files are to be read."""
    return {
        "columns": _columns(arguments), "units": _units_by_role(arguments), "sheet": arguments.sheet,
        "analysis": arguments.analysis, "density": arguments.density, "real_yields": arguments.real_yields,
    }  # fmt: skip


def _units_by_role(arguments):
    """Role -> unit, as typed: rate=lb/ac,yield=bu/ac."""
    units = _units(arguments.units) or {}
    if isinstance(units, str):
        raise UnitError(f"--units {units} names no column; say whose unit it is, as in --units yield={units}")
    return units


def _print_means(strips, arguments):
    """Compare the treatments of each trial of a file that gives no rates; give the comparisons by name."""
    from fertkit.report.trial_answer import trial_rows
    from fertkit.trials.analyse import analyse_strips
    from fertkit.trials.table import show, untreated

    names = [arguments.trial] if arguments.trial else list(dict.fromkeys(strips.table["trial"]))
    trials = {}
    for name in names:
        try:
            trials[name] = analyse_strips(trial_rows(strips, name)[0])
        except NotEstimable as error:
            print(f"Not analysed: trial {name}: {error}")
            continue
        means = trials[name].means
        check = untreated(means["treatment"])
        print(f"{name}\n{trials[name].summary()}")
        for r in means.itertuples():
            none = " (untreated check)" * (r.treatment == check)
            print(f"  {show(r.treatment)}{none}: {plain(r.mean, 4)} {r.letters}".rstrip())
        print()
    if not trials:
        raise NotEstimable("no trial of the file can be analysed")
    print("".join(f"{line}\n" for line in notes(strips.notes)), end="")
    return trials


def _print_trials(strips, arguments):
    """Print what each trial says; give their analyses by name."""
    from fertkit.report.answer import analyse_each
    from fertkit.report.trial_answer import in_currency, trial_rows

    if arguments.trial:
        strips = strips.with_strips(trial_rows(strips, arguments.trial)[0])
    trials, refused = analyse_each(strips, arguments.nutrient_price, arguments.grain_price, arguments.seed)
    told = "\n".join(f"trial {name}: {why}" for name, why in refused.items())
    if not trials:
        raise NotEstimable(told)
    trials = {name: in_currency(trial, arguments.currency) for name, trial in trials.items()}
    for name, trial in trials.items():
        print(f"{name}{f', {strips.nutrient}' if strips.nutrient else ''}")
        print(f"{trial.summary()}\n")
    print("".join(f"{line}\n" for line in notes(strips.notes)), end="")
    if told:
        print(f"Not analysed:\n{told}")
    return trials


def _answer_strips(strips, arguments):
    """Answer for one trial or for all together, write page and workbook; give the analyses by name."""
    from fertkit import report
    from fertkit.writing import write_whole

    asked = {
        "nutrient_price": arguments.nutrient_price, "grain_price": arguments.grain_price,
        "within": arguments.within, "currency": arguments.currency, "seed": arguments.seed,
    }  # fmt: skip
    if arguments.together:
        answer = report.answer_network(strips, **asked)
        trials, page = answer.trials, report.network_page
    else:
        swing = arguments.price_swing
        answer = report.answer_trial(strips, name=arguments.trial, price_swing_pct=swing, **asked)
        trials, page = {answer.name: answer.response}, report.trial_page
    written = arguments.page and write_whole(page(answer), arguments.page)
    _write_workbook(answer, arguments.workbook)
    print(answer.summary())
    if written:
        print(f"Page with figures and sources: {written}.")
    return trials


def run_batch(arguments):
    from fertkit.batch.run import run_batch

    wanted = (
        "nutrient_price", "grain_price", "seed", "level", "by", "ranges", "source_keys", "crop", "decimal",
        "part_size", "pages", "workers",
    )  # fmt: skip
    options = {name: value for name, value in vars(arguments).items() if name in wanted}
    if arguments.kind == "trials":
        options |= _reading(arguments)
    result = run_batch(
        arguments.source, arguments.out, arguments.kind, progress=not arguments.quiet,
        client=arguments.scheduler, **options,
    )  # fmt: skip
    print(f"{result.summary()}\nPage: {result.index}")


def run_sources(arguments):
    from fertkit.reference.load import list_sources

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


def run_words(arguments):
    from fertkit.reference.words import glossary

    for row in glossary(" ".join(arguments.word) or None).itertuples():
        also = f" (also {row.also})" if row.also else ""
        print(f"{row.term}{also}: {row.meaning} [fertkit.{row.see}]")


def run_limits(arguments):
    from fertkit.reference.words import list_limits

    for row in list_limits(arguments.topic).itertuples():
        print(f"{row.topic}, {row.about}: {row.limit} {row.what_to_do}")


def run_open(arguments):
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
