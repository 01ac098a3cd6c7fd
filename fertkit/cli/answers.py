"""The answers of the command line: each question put to the library, what is printed and what is written."""

from pathlib import Path

from fertkit.cli.given import asked_of, columns_of, give, reading_of, units_typed
from fertkit.errors import FertkitError, LookupFailed, NotEstimable, shorten
from fertkit.intake.typed import once, pairs_of
from fertkit.say.line import Kind


def run_field(arguments):
    from fertkit.intake.columns import columns_by_file
    from fertkit.intake.strips import read_strips
    from fertkit.reference.crops import is_known
    from fertkit.reference.profiles import by_family
    from fertkit.report.fields import answer_field

    names = ("field", "leaf", "soil", "stage", "part", "ranges", "nutrient_price", "grain_price", "unit",
             "currency", "seed", "words")  # fmt: skip
    typed = by_family(_typed(arguments))
    kept = [_profile(arguments, part) for part in ("", "leaf")]
    studies, leaf_studies = (held | said for held, said in zip(kept, typed, strict=True))
    options = asked_of(arguments, *names) | {"studies": studies, "leaf_studies": leaf_studies}
    options["facts"], crop = _facts(arguments), arguments.crop
    known = crop if crop and is_known(crop) else None  # of the user's own tables: no trade moisture
    options["columns"], strips, reading = columns_of(arguments), None, reading_of(arguments)
    reading["columns"] = columns_by_file(reading["columns"], ("leaf", "soil"), "strips")["strips"]
    if arguments.strips:
        strips = read_strips(arguments.strips, crop=known, **reading)
    answer = answer_field(arguments.crop, arguments.goal, arguments.goal_unit, strips=strips, **options)
    arguments.page = arguments.page or Path("fields" if hasattr(answer, "fields") else "field.html")
    give(answer, arguments, table=answer.table)


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
    give(budget, arguments, table=budget.table)


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

    options = asked_of(arguments, "unit", "area_unit", "yield_unit")
    answer = answer_farm(arguments.file, **options, **_studies(arguments))
    give(answer, arguments, table=answer.table)


def run_plan(arguments):
    from fertkit.budget.plan import AS_AREAS
    from fertkit.intake.farm import read_farm
    from fertkit.intake.shapes import read_shapes
    from fertkit.report.plan import answer_plan

    reading = {"extractant": units_typed(arguments.extractant), "depth_in": arguments.depth_in}
    reading |= {"units": units_typed(arguments.soil_units), "date_format": arguments.dates}
    reading = {name: value for name, value in reading.items() if value is not None}
    reading["columns"] = columns_of(arguments)
    farm = read_farm(arguments.fields, arguments.soil, arguments.shed, arguments.passes, **reading)
    tables = {"policy": arguments.policy, "caps": arguments.cap, "credits": arguments.credits,
              "trials": arguments.trials}  # fmt: skip
    tables = {name: _by_nutrient(given) for name, given in tables.items()}
    asked = asked_of(arguments, "spending_limit", "currency") | {"unit": arguments.unit or AS_AREAS}
    answer = answer_plan(farm.table, farm.soil, farm.shed, **tables, **asked, **_studies(arguments))
    give(answer, arguments, table=answer.table)
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
        raise FertkitError(f"give one file or NUTRIENT=VALUE, not both: {files[0]}")
    if files:
        return read_text_table(Path(files[0]))
    return pairs_of(",".join(given), "N=165,P2O5=removal")


def _samples(arguments):
    from fertkit.intake.leaf import read_tissue

    options = asked_of(arguments, "crop", "stage", "part", "decimal", "sheet")
    units, order, columns = units_typed(arguments.units), arguments.dates, columns_of(arguments)
    return read_tissue(arguments.file, columns=columns, units=units, date_format=order, **options)


def run_leaf(arguments):
    from fertkit.report.field_samples import of_field
    from fertkit.say.leaf_verdict import VERDICT
    from fertkit.tissue.explanation import explain
    from fertkit.tissue.score import as_scored, score_tissue

    samples = _samples(arguments)
    if arguments.field:
        samples = of_field(samples, arguments.field)
    scoring = {"cvs": arguments.cv, **_studies(arguments, "leaf")}
    scores = score_tissue(samples, arguments.ranges, **scoring)
    if not (scores.agreement["sources"] > 0).any():
        raise NotEstimable(f"{arguments.file.name}: {scores.summary()}")
    facts = _facts(arguments)
    explained = explain(scores, facts=facts).lines()
    verdict = next(i for i, line in enumerate(explained) if line.label == VERDICT)
    scored = [line for line in scores.lines() if line.kind in (Kind.LEAD, Kind.NOTE, Kind.CAUTION)]
    read = as_scored(samples, scores).lines()[1:]
    said = {str(line) for line in explained}
    lines = [*explained[: verdict + 1], *read, *explained[verdict + 1 : -1]]
    lines += [line for line in scored if str(line) not in said] + explained[-1:]
    give(_sheets(samples, scoring, facts, arguments), arguments, lines, scores.table)


def _sheets(samples, scoring, facts, arguments):
    """The sheet of each field of a report, where a page or workbook is asked for."""
    if not (arguments.page or arguments.workbook):
        return None
    from fertkit.report.fields import answer_field

    options = asked_of(arguments, "field", "ranges", "words")
    return answer_field(leaf=samples, leaf_studies=scoring, facts=facts, **options)


def run_history(arguments):
    from fertkit.report.history import answer_history

    reading = asked_of(arguments, "crop", "stage", "part", "decimal")
    reading |= {"units": units_typed(arguments.units), "date_format": arguments.dates}
    answer = answer_history(
        arguments.reports, field=arguments.field, same=once(arguments.same), ranges=arguments.ranges,
        reading=reading, cvs=arguments.cv, **_studies(arguments, "leaf"),
    )  # fmt: skip
    give(answer, arguments, table=answer.table)


def run_balance(arguments):
    from fertkit.report.balance import answer_balance
    from fertkit.writing import write_whole

    if arguments.build_norms and not arguments.yield_column:
        raise NotEstimable("norms need yields of the samples", "--yield-column NAME")
    samples = _samples(arguments)
    asked = asked_of(arguments, "norms", "source", "formula", "dry_matter", "yield_column", "cutoff")
    answer = answer_balance(samples, arguments.method, optimum=dict(arguments.optimum), **asked)
    if arguments.build_norms:
        print(f"Norms: {write_whole(answer.norms.table.to_csv(index=False), arguments.build_norms)}")
    give(answer, arguments, table=answer.table)


def run_batch(arguments):
    from fertkit.batch.run import run_batch

    wanted = {"nutrient_price", "grain_price", "seed", "level", "by", "ranges", "source_keys", "crop",
              "decimal", "part_size", "pages", "workers", "region", "spending_limit"}  # fmt: skip
    options = asked_of(arguments, *wanted & vars(arguments).keys())
    if arguments.kind == "trials":
        options |= reading_of(arguments)
    if arguments.kind == "farms":
        options |= {"policy": _by_nutrient(arguments.policy), "caps": _by_nutrient(arguments.cap)}
    result = run_batch(
        arguments.source, arguments.out, arguments.kind, progress=not arguments.quiet,
        client=arguments.scheduler, **options,
    )  # fmt: skip
    give(result, arguments, [*result.lines(), f"Page: {result.index}"])


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
        unknown.append(f"unknown source key '{shorten(key)}'" + (f"; similar: {near}" if near else ""))
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
