"""The answers of the command line about strips: read, fitted or compared, and laid out for next year."""

from functools import partial

from fertkit.cli.given import asked_of, give, read_strip_file, reading_of, write_table
from fertkit.errors import FertkitError, NotEstimable
from fertkit.say.line import Kind, Line, notes

#: Questions about strips that only the answer for one trial takes.
OF_ONE_TRIAL = ("against", "robust", "uneven")


def run_strips(arguments):
    import pandas as pd

    if (arguments.known or arguments.new_site) and not arguments.together:
        raise NotEstimable(
            "what is known of sites matters where trials are answered together", "--together",
            remedy="ask for all of them",
        )  # fmt: skip
    if arguments.log:
        return _from_points(arguments)
    if arguments.by:
        arguments.column = [*arguments.column, ("factor", arguments.by)]
    strips = read_strip_file(arguments.file, arguments, arguments.crop)
    by_means = arguments.design or arguments.cost or arguments.no_worse_than is not None
    by_means = by_means or (strips.factor and arguments.nutrient_price is None)
    _of_one_trial(arguments, strips, by_means)
    if not arguments.together and (by_means or not (strips.rate_column or strips.rate_columns)):
        return _treatments(strips, arguments)
    _need_prices(arguments)
    arguments.nutrient_price = _one_price(strips, arguments.nutrient_price)
    grouped = bool(strips.factor and strips.rate_column)
    if grouped or arguments.page or arguments.workbook or arguments.together or arguments.paper:
        answer = _whole(strips, arguments)
        trials, lines = answer.trials, answer.lines()
    else:
        answer = None
        trials, lines = _each(strips, arguments)
    lines += _rates(trials, strips, arguments)
    lines += _paper(answer, strips, arguments)
    if grouped:
        table = answer.table
    else:
        each = {name: trial.table for name, trial in trials.items()}
        table = pd.concat(each, names=["trial"]).reset_index("trial")
    if arguments.against:
        rates = (trial.worth(arguments.against).table.assign(trial=name) for name, trial in trials.items())
        table = pd.concat([table, *rates], ignore_index=True)
    give(answer, arguments, lines, table)


def _rates(trials, strips, arguments) -> list:
    """Write the optimum rates where they are asked for, and say so."""
    if not arguments.rates:
        return []
    if not (strips.nutrient and strips.rate_column) and not strips.rate_columns:
        raise NotEstimable("rates for a plan need strips whose rates name their nutrient")
    from fertkit.response.own_rates import own_rates, own_surface_rates

    crop = strips.crop or arguments.crop or ""
    several = bool(strips.rate_columns)
    own = own_surface_rates(trials, crop) if several else own_rates(trials, strips.nutrient, crop)
    return [f"Rates for a season plan: {write_table(own, arguments.rates)}"]


def _from_points(arguments):
    """Answer from a log and the map of what was applied."""
    from dataclasses import replace

    from fertkit.report.points import answer_points

    if not arguments.crop:
        raise NotEstimable("a log needs its crop, for bushels and trade moisture", "--crop corn")
    unasked = ("together", "by", "surface", *OF_ONE_TRIAL)
    others = [f"--{name}" for name in unasked if getattr(arguments, name)]
    if others:
        raise NotEstimable(f"{' and '.join(others)} cannot be asked of a log; zones can", "--zones FILE")
    if isinstance(arguments.nutrient_price, dict):
        raise NotEstimable("a log has one price", "--nutrient-price 0.5", remedy="give it without a name")
    reading = reading_of(arguments)
    columns = {role: headers[-1] for role, headers in reading.pop("columns").items()}
    reading = {name: value for name, value in reading.items() if value not in (None, False)}
    names = ("crop", "nutrient_price", "grain_price", "within", "currency", "seed", "zones", "delay", "utm",
             "reach", "elsewhere")  # fmt: skip
    asked = {"columns": columns, "width": arguments.header_width, "name": arguments.trial,
             "price_swing_pct": arguments.price_swing, **asked_of(arguments, *names), **reading}  # fmt: skip
    means = {k: v for k, v in _of_means(arguments).items() if v is not None and v != {}}
    asked |= {"means": means}
    files = arguments.log, arguments.file
    answer = answer_points(*files, **asked)
    answer = replace(answer, recipe=_recipe(files, None, answer_points, asked))
    strips = answer.joined.trial
    written = _rates(answer.trials, strips, arguments) + _paper(answer, strips, arguments)
    give(answer, arguments, [*answer.lines(), *written], answer.table)


def _one_price(strips, price):
    """The price of the one nutrient of a file, where it was typed by name."""
    if not isinstance(price, dict) or strips.rate_columns:
        return price
    known = {name.upper(): value for name, value in price.items()}
    if set(known) != {strips.nutrient.upper()}:
        has = f"{strips.nutrient} alone" if strips.nutrient else "a nutrient that is not named"
        what = f"prices are given for {', '.join(price)}; the file has rates of {has}"
        raise NotEstimable(what, "--nutrient-price 0.5", remedy="give one price without a name")
    return known[strips.nutrient.upper()]


def _of_surfaces(arguments):
    """What is asked of trials of several nutrients; what is answered of one nutrient alone is refused."""
    alone = (
        "together",
        "within",
        "price_swing",
        "by",
        "against",
        "robust",
        "uneven",
        "design",
        "no_worse_than",
    )
    given = [f"--{name.replace('_', '-')}" for name in alone if getattr(arguments, name, None)]
    if given:
        what = f"{', '.join(given)}: this is answered for trials of one nutrient, and the file has several"
        raise NotEstimable(what, remedy="leave it out")
    return asked_of(arguments, "nutrient_price", "grain_price", "currency", "surface")


def _need_prices(arguments):
    if None in (arguments.nutrient_price, arguments.grain_price):
        from fertkit.report.points import NEED_PRICES

        raise NotEstimable(*NEED_PRICES)


def _of_one_trial(arguments, strips, by_means):
    """Refuse what is asked of one trial with rates where there is none such."""
    alone = [f"--{name}" for name in OF_ONE_TRIAL if getattr(arguments, name)]
    where = {
        "is asked of one trial; leave out --together, or name a --trial": arguments.together,
        "needs rates, and the file compares treatments without any": not (
            strips.rate_column or strips.rate_columns
        ),
        "is asked of a curve, and means are compared here": by_means,
        f"is asked of one curve, and the file has a second factor, '{strips.factor}'": strips.factor,
    }
    for why in (why for why, so in where.items() if so and alone):
        raise NotEstimable(f"{alone[0]} {why}")


def _whole(strips, arguments):
    """The answer for one trial, its groups, or all of a file together, with what asks for it again."""
    from dataclasses import replace

    from fertkit.report.groups import answer_groups
    from fertkit.report.network import answer_network
    from fertkit.report.surface import answer_surface
    from fertkit.report.trial import answer_trial

    asked = asked_of(arguments, "nutrient_price", "grain_price", "within", "currency", "seed")
    grouped = strips.factor and strips.rate_column
    if strips.rate_columns:
        question, asked = answer_surface, _of_surfaces(arguments) | {"name": arguments.trial}
    elif grouped and arguments.together:
        raise NotEstimable(
            f"the file has a second factor, '{strips.factor}'; trials are answered together without one",
            "--trial NAME for one of them, or --column trial=HEADER to read each level as a trial",
        )
    elif grouped:
        question, asked = answer_groups, asked_of(arguments, "nutrient_price", "grain_price", "currency")
        asked |= {"by": strips.factor, "name": arguments.trial}
    elif arguments.together:
        question = answer_network
        asked |= {"known": arguments.known or None, "new_site": dict(arguments.new_site)}
    else:
        question = answer_trial
        asked |= {"name": arguments.trial, "price_swing_pct": arguments.price_swing}
        asked |= asked_of(arguments, *OF_ONE_TRIAL)
    reading = {"crop": arguments.crop} | reading_of(arguments)
    return replace(question(strips, **asked), recipe=_recipe((arguments.file,), reading, question, asked))


def _recipe(files, reading, question, asked):
    """What asks for an answer again."""
    from fertkit.report.paper import Recipe

    return Recipe(files, reading, f"{question.__module__}.{question.__name__}", asked)


def _paper(answer, strips, arguments) -> list:
    """Write what a paper needs where it is asked for, and say so."""
    if not arguments.paper:
        return []
    from fertkit.report.paper import Paper

    written = Paper(answer, strips).write(arguments.paper)
    return [f"For a paper, {len(written)} files: {arguments.paper}"]


def _each(strips, arguments):
    """The analysis of each trial by name, and what is said of them; treatments are compared without rates."""
    from fertkit.report.trial import analyse_each, trial_rows

    if arguments.trial:
        strips = strips.with_strips(trial_rows(strips, arguments.trial)[0])
    if strips.rate_columns:
        from fertkit.response.surface import analyse_surface

        options = _of_surfaces(arguments)
        trials, refused = analyse_each(strips, analyse=partial(analyse_surface, **options))
    else:
        trials, refused = analyse_each(
            strips,
            **asked_of(arguments, "nutrient_price", "grain_price", "seed", "currency", "robust", "uneven"),
        )
    why = _refused(refused)
    if not trials:
        raise NotEstimable("\n".join(map(str, why)))
    lines = []
    for name, trial in trials.items():
        named = strips.nutrient or " x ".join(strips.rate_columns)
        held = trial.worth(arguments.against).lines() if arguments.against else []
        lines += [", ".join(filter(None, [name, named])), *trial.lines(), *held, ""]
    return trials, [*lines, *notes(strips.notes), *(["Not analysed:"] if why else []), *why]


def _refused(refused) -> list[Line]:
    """Why trials of a file could not be analysed, a line each."""
    return [Line(Kind.MISSING, f"trial {name}: {why}", in_code=why.in_code) for name, why in refused.items()]


def _of_means(arguments) -> dict:
    """What is asked of a comparison of means."""
    adjust = {"lsd": "none"}.get(arguments.letters, arguments.letters)
    own = asked_of(arguments, "design", "check", "no_worse_than")
    return own | {"costs": dict(arguments.cost), "adjust": adjust}


def _treatments(strips, arguments):
    """Compare treatments by their means, each trial of the file by itself; a page or workbook holds one."""
    from dataclasses import replace

    import pandas as pd

    from fertkit.report.treatments import answer_treatments

    if arguments.rates:
        raise NotEstimable(
            "--rates rests on a response curve, and these treatments are compared by their means"
        )
    asked = _of_means(arguments) | asked_of(arguments, "grain_price", "currency")
    if arguments.trial or arguments.page or arguments.workbook or arguments.paper:
        asked |= {"name": arguments.trial}
        reading = {"crop": arguments.crop} | reading_of(arguments)
        recipe = _recipe((arguments.file,), reading, answer_treatments, asked)
        answer = replace(answer_treatments(strips, **asked), recipe=recipe)
        written = _paper(answer, strips, arguments)
        return give(answer, arguments, [answer.name, *answer.lines(), *written], answer.table)
    answers, refused = {}, {}
    for name in dict.fromkeys(strips.table["trial"].astype(str)):
        try:
            answers[name] = answer_treatments(strips, name=name, **asked)
        except FertkitError as error:
            refused[name] = error.note
    why = _refused(refused)
    if not answers:
        raise NotEstimable("\n".join(map(str, why)))
    lines = [line for name, answer in answers.items() for line in (name, *answer.lines(), "")]
    table = pd.concat([answer.table for answer in answers.values()], ignore_index=True)
    return give(None, arguments, [*lines, *(["Not analysed:"] if why else []), *why], table)


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
            raise NotEstimable(
                "a field that is supposed needs its yields, the rate of the best, and prices", typed
            )
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
