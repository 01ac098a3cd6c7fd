"""The answers of the command line: each question put to the library, what is printed and what is written."""

from functools import partial
from pathlib import Path

from fertkit.errors import FertkitError, LookupFailed, NotEstimable, UnitError, shorten
from fertkit.say.line import Kind, Line, notes

#: Questions about strips that only the answer for one trial takes.
OF_ONE_TRIAL = ("against", "robust", "uneven")


def _give(result, arguments, lines=None, table=None):
    """Write what was asked for, page, workbook or table; print the answer and what was written."""
    ways = {
        "page": ("Page with figures and sources", lambda path: result.write_page(path)),
        "workbook": ("Workbook", lambda path: result.write_workbook(path)),
        "table": ("Table", lambda path: _write_table(table, path)),
    }
    written = [
        f"{called}: {write(path)}"
        for name, (called, write) in ways.items()
        if (path := getattr(arguments, name, None))
    ]
    for line in [*(result.lines() if lines is None else lines), *written]:
        print(line)


def _write_table(table, path):
    from fertkit.report.workbook import inert_table
    from fertkit.writing import write_whole

    return write_whole(inert_table(table).to_csv(index=False), path)


def _asked(arguments, *names):
    """Options under the names the library gives them."""
    return {name: getattr(arguments, name) for name in names}


def run_field(arguments):
    from fertkit.reference.crops import is_known
    from fertkit.reference.profiles import by_family
    from fertkit.report.fields import answer_field

    names = ("field", "leaf", "soil", "stage", "part", "ranges", "nutrient_price", "grain_price", "unit",
             "currency", "seed", "words")  # fmt: skip
    typed = by_family(_typed(arguments))
    kept = [_profile(arguments, part) for part in ("", "leaf")]
    studies, leaf_studies = (held | said for held, said in zip(kept, typed, strict=True))
    options = _asked(arguments, *names) | {"studies": studies, "leaf_studies": leaf_studies}
    options["facts"], crop = _facts(arguments), arguments.crop
    known = crop if crop and is_known(crop) else None  # of the user's own tables: no trade moisture
    strips = _read_strips(arguments.strips, arguments, known) if arguments.strips else None
    answer = answer_field(arguments.crop, arguments.goal, arguments.goal_unit, strips=strips, **options)
    arguments.page = arguments.page or Path("fields" if hasattr(answer, "fields") else "field.html")
    _give(answer, arguments, table=answer.table)


def _facts(arguments):
    """Field facts as typed, NAME=VALUE."""
    from fertkit.intake.facts import facts_typed

    return facts_typed(arguments.fact)


def run_needs(arguments):
    from fertkit.budget.needs import nutrient_budget
    from fertkit.budget.yields import amount_unit

    unit = arguments.unit or amount_unit(arguments.goal_unit)
    goal = arguments.crop, arguments.goal, arguments.goal_unit
    harvest = {"part": arguments.part, "residue": arguments.baled or "kept"}
    budget = nutrient_budget(*goal, unit=unit, **harvest, **_studies(arguments))
    _give(budget, arguments, table=budget.table)


def _studies(arguments, part=""):
    """Whose tables decide: the profile file, and what is typed in its place."""
    return _profile(arguments, part) | _typed(arguments)


def _profile(arguments, part):
    from fertkit.reference.profiles import read_profile

    return read_profile(arguments.profile, part) if arguments.profile else {}


def _typed(arguments):
    from fertkit.reference.profiles import KEYS, OWN

    return {name: value for name in (*KEYS, OWN) if (value := getattr(arguments, name, None))}


def run_farm(arguments):
    from fertkit.report.farm import answer_farm

    options = _asked(arguments, "unit", "area_unit", "yield_unit")
    answer = answer_farm(arguments.file, **options, **_studies(arguments))
    _give(answer, arguments, table=answer.table)


def run_plan(arguments):
    from fertkit.budget.plan import AS_AREAS
    from fertkit.intake.farm import read_farm
    from fertkit.intake.shapes import read_shapes
    from fertkit.report.plan import answer_plan

    reading = {"extractant": _units(arguments.extractant), "depth_in": arguments.depth_in}
    reading |= {"units": _units(arguments.soil_units), "date_format": arguments.dates}
    reading = {name: value for name, value in reading.items() if value is not None}
    farm = read_farm(arguments.fields, arguments.soil, arguments.shed, arguments.passes, **reading)
    tables = {"policy": arguments.policy, "caps": arguments.cap, "credits": arguments.credits,
              "trials": arguments.trials}  # fmt: skip
    tables = {name: _by_nutrient(given) for name, given in tables.items()}
    asked = _asked(arguments, "spending_limit", "currency") | {"unit": arguments.unit or AS_AREAS}
    answer = answer_plan(farm.table, farm.soil, farm.shed, **tables, **asked, **_studies(arguments))
    _give(answer, arguments, table=answer.table)
    if arguments.orders:
        shapes = read_shapes(arguments.map) if arguments.map else None
        for path in answer.write_orders(arguments.orders, shapes):
            print(f"Orders: {path}")


def _by_nutrient(given):
    """What was typed for nutrients, NUTRIENT=VALUE, or the table of the file that was named."""
    from fertkit.reference.text_tables import read_text_table

    if not given or given == [None]:
        return None
    given = given if isinstance(given, list) else [given]
    files = [text for text in given if "=" not in str(text)]
    if len(files) > 1 or (files and len(given) > 1):
        raise FertkitError(f"give one file, or NUTRIENT=VALUE as often as needed, not both: {files[0]}")
    if files:
        return read_text_table(Path(files[0]))
    return dict(str(text).split("=", 1) for text in given)


def run_leaf(arguments):
    from fertkit.intake.leaf import read_tissue
    from fertkit.say.leaf_verdict import VERDICT
    from fertkit.say.line import Kind
    from fertkit.tissue.explanation import explain
    from fertkit.tissue.score import as_scored, score_tissue

    options = _asked(arguments, "crop", "stage", "part", "decimal", "sheet")
    units, order = _units(arguments.units), arguments.dates
    samples = read_tissue(arguments.file, units=units, date_format=order, **options)
    scoring = {"cvs": arguments.cv, **_studies(arguments, "leaf")}
    scores = score_tissue(samples, arguments.ranges, **scoring)
    if not (scores.agreement["sources"] > 0).any():
        raise NotEstimable(f"{arguments.file.name}: {scores.summary()}")
    facts = _facts(arguments)
    explained = explain(scores, facts=facts).lines()
    verdict = next(i for i, line in enumerate(explained) if line.label == VERDICT)
    scored = [line for line in scores.lines() if line.kind in (Kind.LEAD, Kind.NOTE, Kind.CAUTION)]
    read = as_scored(samples, scores).lines()[1:] or ["The file was read as it stands."]
    said = {str(line) for line in explained}
    lines = [*explained[: verdict + 1], *read, *explained[verdict + 1 : -1]]
    lines += [line for line in scored if str(line) not in said] + explained[-1:]
    _give(_sheets(samples, scoring, facts, arguments), arguments, lines, scores.table)


def _sheets(samples, scoring, facts, arguments):
    """The sheet of each field of a report, where a page or workbook is asked for."""
    if not (arguments.page or arguments.workbook):
        return None
    from fertkit.report.fields import answer_field

    options = _asked(arguments, "field", "ranges", "words")
    return answer_field(leaf=samples, leaf_studies=scoring, facts=facts, **options)


def run_history(arguments):
    from fertkit.report.history import answer_history

    reading = _asked(arguments, "crop", "stage", "part", "decimal")
    reading |= {"units": _units(arguments.units), "date_format": arguments.dates}
    answer = answer_history(
        arguments.reports, field=arguments.field, same=dict(arguments.same), ranges=arguments.ranges,
        reading=reading, cvs=arguments.cv, **_studies(arguments, "leaf"),
    )  # fmt: skip
    _give(answer, arguments, table=answer.table)


def run_balance(arguments):
    from fertkit.intake.leaf import read_tissue
    from fertkit.report.balance import answer_balance
    from fertkit.writing import write_whole

    if arguments.build_norms and not arguments.yield_column:
        raise NotEstimable("norms need the yields of the samples", "--yield-column NAME")
    options = _asked(arguments, "crop", "stage", "part", "decimal", "sheet")
    units, order = _units(arguments.units), arguments.dates
    samples = read_tissue(arguments.file, units=units, date_format=order, **options)
    asked = _asked(arguments, "norms", "source", "formula", "dry_matter", "yield_column", "cutoff")
    answer = answer_balance(samples, arguments.method, optimum=dict(arguments.optimum), **asked)
    if arguments.build_norms:
        print(f"Norms: {write_whole(answer.norms.table.to_csv(index=False), arguments.build_norms)}")
    _give(answer, arguments, table=answer.table)


def _units(text):
    """Units as typed: one for the macronutrients, or nutrient=unit,nutrient=unit."""
    if not text or "=" not in text:
        return text
    return dict(tuple(word.strip() for word in pair.partition("=")[::2]) for pair in text.split(","))


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
    strips = _read_strips(arguments.file, arguments, arguments.crop)
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
    _give(answer, arguments, lines, table)


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
    return [f"Rates for a season plan: {_write_table(own, arguments.rates)}"]


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
    reading = _reading(arguments)
    columns = {role: headers[-1] for role, headers in reading.pop("columns").items()}
    reading = {name: value for name, value in reading.items() if value not in (None, False)}
    names = ("crop", "nutrient_price", "grain_price", "within", "currency", "seed", "zones", "delay", "utm",
             "reach", "elsewhere")  # fmt: skip
    asked = {"columns": columns, "width": arguments.header_width, "name": arguments.trial,
             "price_swing_pct": arguments.price_swing, **_asked(arguments, *names), **reading}  # fmt: skip
    means = {k: v for k, v in _of_means(arguments).items() if v is not None and v != {}}
    asked |= {"means": means}
    files = arguments.log, arguments.file
    answer = answer_points(*files, **asked)
    answer = replace(answer, recipe=_recipe(files, None, answer_points, asked))
    strips = answer.joined.trial
    written = _rates(answer.trials, strips, arguments) + _paper(answer, strips, arguments)
    _give(answer, arguments, [*answer.lines(), *written], answer.table)


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
    return _asked(arguments, "nutrient_price", "grain_price", "currency", "surface")


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


def _read_strips(file, arguments, crop):
    """Strips of a file, read as the command line says."""
    from fertkit.intake.strips import read_strips

    return read_strips(file, crop=crop, **_reading(arguments))


def _reading(arguments):
    """How strip files are to be read: headers by role, units by role as in rate=lb/ac,yield=bu/ac."""
    columns, units = {}, _units(arguments.units) or {}
    for role, header in arguments.column:
        columns.setdefault(role, []).append(header)
    if isinstance(units, str):
        raise UnitError(f"--units {units} names no column; say whose unit it is, as in --units yield={units}")
    return _asked(arguments, "sheet", "analysis", "density", "real_yields") | {
        "columns": columns, "units": units,
    }  # fmt: skip


def _whole(strips, arguments):
    """The answer for one trial, its groups, or all of a file together, with what asks for it again."""
    from dataclasses import replace

    from fertkit.report.groups import answer_groups
    from fertkit.report.network import answer_network
    from fertkit.report.surface import answer_surface
    from fertkit.report.trial import answer_trial

    asked = _asked(arguments, "nutrient_price", "grain_price", "within", "currency", "seed")
    grouped = strips.factor and strips.rate_column
    if strips.rate_columns:
        question, asked = answer_surface, _of_surfaces(arguments) | {"name": arguments.trial}
    elif grouped and arguments.together:
        raise NotEstimable(
            f"the file has a second factor, '{strips.factor}'; trials are answered together without one",
            "--trial NAME for one of them, or --column trial=HEADER to read each level as a trial",
        )
    elif grouped:
        question, asked = answer_groups, _asked(arguments, "nutrient_price", "grain_price", "currency")
        asked |= {"by": strips.factor, "name": arguments.trial}
    elif arguments.together:
        question = answer_network
        asked |= {"known": arguments.known or None, "new_site": dict(arguments.new_site)}
    else:
        question = answer_trial
        asked |= {"name": arguments.trial, "price_swing_pct": arguments.price_swing}
        asked |= _asked(arguments, *OF_ONE_TRIAL)
    reading = {"crop": arguments.crop} | _reading(arguments)
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
            **_asked(arguments, "nutrient_price", "grain_price", "seed", "currency", "robust", "uneven"),
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
    own = _asked(arguments, "design", "check", "no_worse_than")
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
    asked = _of_means(arguments) | _asked(arguments, "grain_price", "currency")
    if arguments.trial or arguments.page or arguments.workbook or arguments.paper:
        asked |= {"name": arguments.trial}
        reading = {"crop": arguments.crop} | _reading(arguments)
        recipe = _recipe((arguments.file,), reading, answer_treatments, asked)
        answer = replace(answer_treatments(strips, **asked), recipe=recipe)
        written = _paper(answer, strips, arguments)
        return _give(answer, arguments, [answer.name, *answer.lines(), *written], answer.table)
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
    return _give(None, arguments, [*lines, *(["Not analysed:"] if why else []), *why], table)


def run_layout(arguments):
    from fertkit.intake.shapes import read_outline
    from fertkit.report.layout import answer_layout

    supposed = _asked(arguments, "yield_without", "best_yield", "best_rate", "curve", "highest")
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
        network = _asked(arguments, "width", "site_sd", "year_sd")
    names = ("seed", "blocks", "design", "unit", "header_width", "applicator_width", "strip_length",
             "headland", "width_unit", "borders", "second", "strips", "line")  # fmt: skip
    answer = answer_layout(
        arguments.rates, cv_pct=arguments.cv, difference_pct=arguments.difference, buffer=arguments.gap,
        arrangement=arguments.second_on, whole_cv_pct=arguments.whole_cv, field_supposed=supposed or None,
        network=network, boundary=read_outline(arguments.boundary) if arguments.boundary else None,
        **_asked(arguments, *names),
    )  # fmt: skip
    lines = answer.lines()
    if arguments.files:
        lines += [f"For the field: {path}" for path in answer.write_files(arguments.files)]
    _give(answer, arguments, lines, answer.table)


def run_batch(arguments):
    from fertkit.batch.run import run_batch

    wanted = {"nutrient_price", "grain_price", "seed", "level", "by", "ranges", "source_keys", "crop",
              "decimal", "part_size", "pages", "workers", "region", "spending_limit"}  # fmt: skip
    options = _asked(arguments, *wanted & vars(arguments).keys())
    if arguments.kind == "trials":
        options |= _reading(arguments)
    if arguments.kind == "farms":
        options |= {"policy": _by_nutrient(arguments.policy), "caps": _by_nutrient(arguments.cap)}
    result = run_batch(
        arguments.source, arguments.out, arguments.kind, progress=not arguments.quiet,
        client=arguments.scheduler, **options,
    )  # fmt: skip
    _give(result, arguments, [*result.lines(), f"Page: {result.index}"])


def run_sources(arguments):
    from difflib import get_close_matches

    from fertkit.reference.citation import bibtex, keys_of_answer, reference_list
    from fertkit.reference.load import list_sources

    asked = [*arguments.keys, *(keys_of_answer(arguments.of) if arguments.of else ())]
    known = {key.lower(): key for key in list_sources()["source_key"]}
    found = [known[key.lower()] for key in asked if key.lower() in known] if asked else None
    if arguments.cite == "bibtex":
        print(bibtex(found))
    elif arguments.cite:
        for number, line in enumerate(reference_list(found), 1):
            print(f"{number}. {line}")
    else:
        for source in list_sources(found).itertuples():
            mark = "" if source.obtained == "found" else f" [{source.obtained}]"
            print(f"{source.source_key}: {source.citation} {source.address}".rstrip() + mark)
    unknown = []
    for key in (key for key in asked if key.lower() not in known):
        near = ", ".join(known[k] for k in get_close_matches(key.lower(), known, n=5, cutoff=0.5))
        unknown.append(f"unknown source key '{shorten(key)}'" + (f", much like it: {near}" if near else ""))
    if unknown:
        raise LookupFailed("; ".join(unknown) + ". All keys: fertkit sources")


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
    if arguments.manual:
        from fertkit.panels.manual import open_manual

        open_manual(not arguments.no_browser)
        return
    from fertkit.panels.serve import open_notebooks

    open_notebooks(
        arguments.pages, arguments.room, arguments.port, share=arguments.share,
        browser=not arguments.no_browser,
    )  # fmt: skip
