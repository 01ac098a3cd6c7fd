"""The answers of the command line about strips: read, fitted or compared, and laid out for next year."""

from fertkit.cli.given import asked_of, give, reading_of, write_table
from fertkit.errors import FertkitError, NotEstimable
from fertkit.intake.typed import once
from fertkit.say.line import Kind, Line, notes


def run_strips(arguments):
    files, asked = _files_of(arguments), _asked_of(arguments)
    way = files.way(asked, arguments.together)
    if arguments.rates and way == "means":
        raise NotEstimable("--rates needs a response curve; here means are compared")
    written = arguments.page or arguments.workbook or arguments.paper
    whole = written or files.of_points or way in ("groups", "network") or (way == "means" and arguments.trial)
    if whole:
        answer = files.answer(way, **asked)
        trials, lines = answer.trials, answer.lines()
        lines = [answer.name, *lines] if way == "means" and not files.of_points else lines
    else:
        answer, (trials, lines) = None, _each(files, way, asked)
    lines = [*lines, *_rates(trials, files.strips, arguments), *_paper(answer, files.strips, arguments)]
    whole = whole and (files.of_points or way in ("groups", "means"))
    give(answer, arguments, lines, answer.table if whole else _table(way, trials, answer, arguments.against))


def _files_of(arguments):
    """The strip file, or the log with its map, read as the command line says."""
    from fertkit.report.asking import read_trial_files

    if arguments.log and arguments.by:
        raise NotEstimable("--by cannot be used with a log; use zones", "--zones FILE")
    if arguments.by:
        arguments.column = [*arguments.column, ("factor", arguments.by)]
    reading = {"crop": arguments.crop, **reading_of(arguments)}
    reading |= asked_of(arguments, "zones", "delay", "reach", "utm", "elsewhere")
    reading["width"] = arguments.header_width
    return read_trial_files(arguments.file, arguments.log, **reading)


def _asked_of(arguments) -> dict:
    """What is asked, under the names that answers give it; letters as usual ask for nothing."""
    letters = {"lsd": "none", "tukey": None}.get(arguments.letters, arguments.letters)
    names = ("nutrient_price", "grain_price", "currency", "within", "seed", "against", "robust", "uneven",
             "surface", "design", "check", "no_worse_than", "known")  # fmt: skip
    return asked_of(arguments, *names) | {
        "name": arguments.trial, "price_swing_pct": arguments.price_swing, "adjust": letters,
        "costs": once(arguments.cost), "new_site": once(arguments.new_site),
    }  # fmt: skip


def _table(way, trials, answer, against):
    """The tables of the trials under each other, and their rates against others."""
    import pandas as pd

    each = {name: trial.table for name, trial in trials.items()}
    if way == "means":
        return pd.concat(each.values(), ignore_index=True)
    table = pd.concat(each, names=["trial"]).reset_index("trial")
    if not against:
        return table
    if hasattr(answer, "pooled"):
        return pd.concat([table, answer.pooled.against], ignore_index=True)
    rates = (trial.worth(against).table.assign(trial=name) for name, trial in trials.items())
    return pd.concat([table, *rates], ignore_index=True)


def _rates(trials, strips, arguments) -> list:
    """Write the optimum rates where they are asked for, and say so."""
    if not arguments.rates:
        return []
    if not (strips.nutrient and strips.rate_column) and not strips.rate_columns:
        raise NotEstimable("rates for a plan need strips that name their nutrient")
    from fertkit.response.own_rates import own_rates, own_surface_rates

    crop = strips.crop or arguments.crop or ""
    several = bool(strips.rate_columns)
    own = own_surface_rates(trials, crop) if several else own_rates(trials, strips.nutrient, crop)
    return [f"Rates for a season plan: {write_table(own, arguments.rates)}"]


def _paper(answer, strips, arguments) -> list:
    """Write what a paper needs where it is asked for, and say so."""
    if not arguments.paper:
        return []
    from fertkit.report.paper import Paper

    written = Paper(answer, strips).write(arguments.paper)
    return [f"For a paper, {len(written)} files: {arguments.paper}"]


def _each(files, way, asked):
    """The analysis of each trial by name, and what is said of them; treatments are compared without rates."""
    from fertkit.report.trial import analyse_each, trial_rows

    asked, strips = files.checked(way, asked), files.strips
    if "name" in asked:
        strips = trial_rows(strips, asked.pop("name"))[0]
    against, lines = asked.pop("against", ()), []
    if way == "means":
        analysed, refused = _compared(strips, asked)
    else:
        for name in ("within", "price_swing_pct"):  # of the page
            asked.pop(name, None)
        analysed, refused = analyse_each(strips, analyse=_analysis(way), **asked)
    why = [Line(Kind.MISSING, f"trial {name}: {one}", in_code=one.in_code) for name, one in refused.items()]
    if not analysed:
        raise NotEstimable("\n".join(f"trial {name}: {one}" for name, one in refused.items()))
    of = "" if way == "means" else strips.nutrient or " x ".join(strips.rate_columns)
    for name, trial in analysed.items():
        held = trial.worth(against).lines() if len(against) else []
        lines += [", ".join(filter(None, [name, of])), *trial.lines(), *held, ""]
    told = () if way == "means" else notes(strips.notes)
    return analysed, [*lines, *told, *(["Not analysed:"] if why else []), *why]


def _analysis(way):
    from fertkit.response.analyse import analyse_response
    from fertkit.response.surface import analyse_surface

    return analyse_surface if way == "nutrients" else analyse_response


def _compared(strips, asked):
    """The treatments of each trial compared, and why those of others cannot be."""
    from fertkit.report.treatments import answer_treatments

    answers, refused = {}, {}
    for name in dict.fromkeys(strips.table["trial"].astype(str)):
        try:
            answers[name] = answer_treatments(strips, name=name, **asked)
        except FertkitError as error:
            refused[name] = error.note
    return answers, refused


def run_layout(arguments):
    from fertkit.intake.shapes import read_outline
    from fertkit.report.layout import answer_layout

    supposed = asked_of(arguments, "yield_without", "best_yield", "best_rate", "curve", "highest")
    supposed = {name: value for name, value in supposed.items() if value is not None}
    if supposed:
        needed = ("yield_without", "best_yield", "best_rate", "nutrient_price", "grain_price")
        lacking = [name for name in needed if getattr(arguments, name) is None]
        if lacking:
            typed = ", ".join(f"--{name.replace('_', '-')}" for name in lacking)
            raise NotEstimable("an assumed field needs its yields, best rate and prices", typed)
        supposed["best_rates"] = supposed.pop("best_rate")
        supposed["price_ratio"] = arguments.nutrient_price / arguments.grain_price
        supposed["yield_unit"] = arguments.yield_unit
    network = None
    if arguments.width is not None:
        network = asked_of(arguments, "width", "site_sd", "year_sd")
    names = ("seed", "blocks", "design", "unit", "header_width", "applicator_width", "strip_length",
             "headland", "width_unit", "borders", "second", "strips", "line")  # fmt: skip
    answer = answer_layout(
        arguments.rates, cv_pct=arguments.cv, difference_pct=arguments.difference, buffer=arguments.gap,
        arrangement=arguments.second_on, whole_cv_pct=arguments.whole_cv, field_supposed=supposed or None,
        network=network, boundary=read_outline(arguments.boundary) if arguments.boundary else None,
        **asked_of(arguments, *names),
    )  # fmt: skip
    lines = answer.lines()
    if arguments.files:
        lines += [f"For the field: {path}" for path in answer.write_files(arguments.files)]
    give(answer, arguments, lines, answer.table)
