"""A field over the years: what repeats, the path through each season, good against poor, treatments."""

from fertkit.results import counted, failed, plain, plain_p
from fertkit.rounding import below
from fertkit.say.line import Kind, Line, detail, lead, marked, told
from fertkit.tissue.history import State
from fertkit.tissue.seasons import NO_YEAR
from fertkit.tissue.treatments import CONFIDENCE
from fertkit.tissue.verdicts import POSSIBLY, SHORT_NOW

PLACES = {"good": "good area", "poor": "poor area"}


def history_lines(history) -> list[Line]:
    """Say for each field what repeats and what turned, then what only the owner can tell."""
    said = []
    for field in history.fields:
        said += field_lines(history.only(field))
    said += [Line(Kind.MISSING, f"{note}.") for note in history.reports.notes]
    said += marked(Kind.QUESTION, history.reports.questions)
    return said + marked(Kind.CAUTION, [f"{text}." for text in failed(history.checks)])


def field_lines(history) -> list[Line]:
    """Say of one field what repeats, what turned, how the areas and treatments differ."""
    field, never = history.fields[0], ", ".join(history.unmeasured)
    return [
        lead(f"{field}: {_verdict(history)}{_set_aside(history.missing)}."),
        *_seasons(history.path, history.missing), *_turned(history.path), *_pairs(history.pairs),
        *_treatments(history.treatments), *_unjudged(history.path), *_not_scored(history.missing),
        *([Line(Kind.MISSING, f"Never measured: {never}.")] if never else []),
    ]  # fmt: skip


def _verdict(history) -> str:
    """What repeats over the seasons; what was short once; that nothing was."""
    repeats = history.repeats
    seasons = history.path[~history.path["season"].str.startswith(NO_YEAR)]
    count = seasons[["crop", "season"]].drop_duplicates().shape[0]
    short = repeats[repeats["short"] > 0]
    short = short.sort_values(["short", "judged"], ascending=[False, True], kind="stable")
    if short.empty:
        judged = int(repeats["judged"].max()) if len(repeats) else 0
        if not judged:
            return _without_year(history.path)
        left = repeats[repeats["open"] > 0]["nutrient"].unique()
        more = f"; published ranges differ on {', '.join(left)}" if len(left) else ""
        return f"nothing was short in {_of(judged, count)}{more}"
    return "; ".join(_again(r) for r in short.itertuples())


def _set_aside(missing) -> str:
    """Which nutrients a report holds in columns that were not read, and in which seasons."""
    lost = missing[missing["column"] != ""]
    said = []
    for (crop, season), rows in lost.groupby(["crop", "season"], sort=False):
        said.append(f"; {_names(rows)} not scored in {_named(crop, season)}")
    return "".join(said)


def _names(rows) -> str:
    return ", ".join(dict.fromkeys(rows["nutrient"]))


def _without_year(path) -> str:
    """The verdict where no season with a year could be judged."""
    judged = path[path["judged"] > 0]
    if judged.empty:
        return "no season could be judged"
    short = judged[judged["short"] > 0]
    called = [(word, short[short["called"] == word]) for word in (SHORT_NOW, POSSIBLY)]
    said = "; ".join(f"{_names(rows)} {word}" for word, rows in called if len(rows))
    return f"{said or 'nothing short'}, year not known"


def _of(judged, count):
    seasons = "season" if judged == 1 else "seasons"
    return f"{judged} {seasons} judged" if judged == count else f"the {judged} of {count} seasons judged"


def _again(r) -> str:
    place = f" ({PLACES.get(r.spot, r.spot)})" if r.spot else ""
    seasons = "season" if r.judged == 1 else "seasons"
    counts = [(SHORT_NOW, r.short - r.possibly), (POSSIBLY, r.possibly)]
    short = " and ".join(f"{word} in {n}" for word, n in counts if n)
    return f"{r.nutrient}{place} {short} of {r.judged} {seasons} judged"


def _seasons(path, missing):
    """Each season on a line: stage by stage what was short, left open, or that nothing was."""
    keys = ["step", "growth_stage", "plant_part"]
    lost = {key: _names(rows) for key, rows in missing.groupby(["crop", "season", *keys])}
    for (crop, season), rows in path.groupby(["crop", "season"], sort=False):
        again = rows.groupby("growth_stage")["step"].nunique() > 1
        steps = [_step(part, again[key[1]], lost.get((crop, season, *key), ""))
                 for key, part in rows.groupby(keys, sort=True)]  # fmt: skip
        yield told("; ".join(steps), _named(crop, season))


def _named(crop, season) -> str:
    return f"{crop}, {season}" if season.startswith(NO_YEAR) else f"{crop} {season}"


def _stage(row, again) -> str:
    """The stage of a sampling; its date too where the stage was sampled again."""
    day = f" ({row.sampled:%Y-%m-%d})" if again and row.sampled == row.sampled else ""
    return f"{row.growth_stage or 'stage not stated'}{day}"


def _step(rows, again, missing) -> str:
    """What one day says, and of which nutrients it says nothing."""
    first = rows.iloc[0]
    judged = rows[rows["judged"] > 0]
    stage = _stage(first, again)
    if judged.empty:
        return f"{stage}: no published range"
    lost = f" ({missing} not scored)" * bool(missing)
    state = judged["state"]
    if (state == State.ENOUGH).all():
        return f"{stage}: nothing short{f' among {_names(judged)}' * bool(missing)}{lost}"
    left = judged[state == State.OPEN]
    parts = [_short(r) for r in judged[judged["short"] > 0].itertuples()]
    for nutrient, mine in left.groupby("nutrient", sort=False):
        whole = len(mine) == rows["spot"].nunique()
        where = "" if whole else " and".join(_in(spot) for spot in mine["spot"])
        called = " or ".join(filter(None, dict.fromkeys(mine["called"])))
        parts.append(f"published ranges differ on {nutrient}{where}{f' ({called})' * bool(called)}")
    return f"{stage}: {', '.join(parts)}{lost}"


def _in(spot) -> str:
    return f" in the {PLACES[spot]}" if spot in PLACES else f" with {spot}" if spot else ""


def _short(r) -> str:
    some = f" ({r.short} of {r.judged} samples)" if r.judged > 1 else ""
    return f"{r.nutrient} {r.called or SHORT_NOW}, {r.censored}{plain(r.value)} {r.unit}{_in(r.spot)}{some}"


def _turned(path):
    for r in path[path["turn"] != ""].itertuples():
        place = f", {PLACES.get(r.spot, r.spot)}" if r.spot else ""
        turn = "falls below its range" if r.turn == "falls below" else "no longer below its range"
        yield detail(f"{turn} at {r.growth_stage}", f"{r.crop} {r.season}{place}, {r.nutrient}")


def _pairs(pairs):
    """How often each nutrient was lower or higher in the poor area, and where."""
    if pairs.empty:
        return
    compared = pairs.drop_duplicates("good_specimens")
    many, of = len(compared), pairs["nutrient"].value_counts()  # one set aside is compared less often
    again = compared.duplicated(["crop", "season", "growth_stage"]).any()
    said, found = [], []
    for way in ("lower", "higher"):
        mine = pairs[pairs["difference"] == way]
        for nutrient, rows in mine.groupby("nutrient", sort=False):
            values = "; ".join(
                f"{plain(r.poor)} against {plain(r.good)} {r.unit} in {r.season} at {_stage(r, again)}"
                for r in rows.itertuples()
            )
            many = of[nutrient]
            found.append(f"{nutrient} {way} in {len(rows)} of {many}")
            said.append(detail(values, f"{nutrient}, {way}"))
    counts = counted(many, "comparison").removeprefix(f"{many} ") if found else counted(many, "comparison")
    what = ", ".join(found) or "no nutrient differs beyond noise in"
    yield told(f"{what} {counts}.", "Poor against good area")
    yield from said


def _treatments(rows):
    for (crop, season, stage), mine in rows.groupby(["crop", "season", "growth_stage"], sort=False):
        label = f"Treatments, {crop} {season} at {stage}"
        tested = mine[mine["p_value"].notna()]
        if tested.empty:
            yield told("one sample per treatment: no test", label)
            yield from (detail(_means(r), r.nutrient) for r in mine.itertuples())
            continue
        clear = tested[below(tested["p_value"], 1 - CONFIDENCE)]
        blocks = "in blocks" if tested["blocked"].all() else "without blocks"
        differ = "differs" if len(clear) == 1 else "differ"
        yield told(f"{len(clear)} of {len(tested)} nutrients {differ} ({blocks})", label)
        for r in clear.sort_values("p_value").itertuples():
            yield detail(f"{_means(r)}; p {plain_p(r.p_value)}, LSD {plain(r.lsd)}", r.nutrient)


def _means(r) -> str:
    return ", ".join(f"{name} {plain(value)}" for name, value in r.means.items()) + f" {r.unit}"


def _unjudged(path):
    """Stages and parts for which no range is published."""
    keys = ["crop", "season", "growth_stage", "plant_part"]
    for key, rows in path.groupby(keys, sort=False):
        if not (rows["judged"] > 0).any():
            crop, season, stage, part = key
            place = ", ".join(filter(None, [stage, part])) or "stage and part not stated"
            yield Line(Kind.MISSING, f"{_named(crop, season)}, {place}: no published range.")


def _not_scored(missing):
    """Nutrients that a season does not speak of, and why."""
    keys = ["crop", "season", "growth_stage", "why"]
    for (crop, season, stage, why), rows in missing.groupby(keys, sort=False):
        columns = ", ".join(f"'{name}'" for name in dict.fromkeys(rows["column"]) if name)
        whence = f" (column {columns})" if columns else ""
        place = f", {stage}" if stage else ""
        yield Line(
            Kind.MISSING, f"{_names(rows)} not scored in {_named(crop, season)}{place}: {why}{whence}."
        )
