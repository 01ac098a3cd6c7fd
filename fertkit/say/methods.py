"""What was done to the strips, as the methods of a paper: sentences with the works they rest on."""

import numpy as np

import fertkit
from fertkit.reference.load import method_keys
from fertkit.response.curves import CURVES, MEAN
from fertkit.results import capital, counted, plain, show
from fertkit.say.line import Kind, Line, notes, told
from fertkit.say.trials import layout_text, letters_text, yields_text
from fertkit.trials.strips import factor

#: What no file tells and every paper says.
BY_AUTHORS = "site, year, soil and its tests, hybrid or variety, randomisation, strip size and harvest method"
_DF = {
    "anova": "Student's t", "satterthwaite": "Student's t with Satterthwaite's degrees of freedom",
    "kenward-roger": "Student's t with Kenward-Roger degrees of freedom",
}  # fmt: skip
MOST_RATES = 8  # listed one by one


def methods_lines(answer, strips=None) -> list[Line]:
    """Say what was done, each sentence with the keys of its sources.

    Parameters
    ----------
    answer : TrialAnswer or NetworkAnswer
    strips : StripTrial, optional
        As read from the file: it tells of yields and moisture.
    """
    end = _said(f"Computed with fertkit {fertkit.__version__}.")
    whole, answer = answer, getattr(answer, "trial", answer)  # that of points holds another
    if hasattr(answer, "one_factor"):
        return [*_options(whole, "joined"), *_treatments(answer, strips), end]
    trials = list(answer.trials.values())
    lines = [*_options(whole, "joined"), _said(_design(answer, trials)), *_yields(strips)]
    if getattr(answer, "strips", None) is not None:
        lines += _means(answer.strips)
    if hasattr(trials[0], "comparison"):
        lines += _curves(trials)
    if hasattr(answer, "contrast"):
        lines += _pooled(answer)
    lines += _options(whole, "analysis", "groups", "robust", "equivalence")
    return [*lines, end]


def _treatments(answer, strips) -> list[Line]:
    """Treatments compared by their means, in any design."""
    analysis, crop = answer.analysis, f"{answer.crop} yield" if answer.crop else "yield"
    pairs = getattr(analysis, "pairs", ())
    n = 2 * len(pairs) or (len(analysis.strips) if answer.one_factor else int(analysis.means["n"].sum()))
    laid = _laid(analysis) if answer.one_factor else ""
    lines = [_said(f"{crop} was measured in {n} strips{laid}."), *_yields(strips)]
    if answer.one_factor:
        lines += _means(analysis)
    else:
        text = "Treatments were compared by pair differences with Student's t."
        if hasattr(analysis, "layout"):
            text = (
                f"The trial was a {layout_text(analysis)}, analysed by {analysis.method}; means of each "
                "factor were compared by Tukey's honestly significant difference."
            )
        lines.append(Line(Kind.TEXT, text, sources=tuple(analysis.sources["source_key"])))
    if answer.margin is not None:
        margin = f"{plain(answer.margin.margin)} {answer.unit}"
        text = f"each treatment was tested against the check within {margin} by two one-sided t tests."
        lines.append(_said(text, "equivalence"))
    if answer.worth is not None:
        lines.append(_said("net return over the check is the gain at the grain price minus treatment costs."))
    return lines


def _laid(analysis) -> str:
    """Treatments of one factor and their blocks."""
    table = analysis.strips
    kinds = f" of {counted(table[analysis.treatment].nunique(), 'treatment')}"
    return kinds + (f" in {counted(table['block'].nunique(), 'block')}" if "block" in table else "")


def numbered(lines) -> tuple[list[str], list[str]]:
    """Return sentences with their sources as numbers in brackets, and the keys in that order."""
    keys = list(dict.fromkeys(key for line in lines for key in line.sources))
    said = []
    for line in lines:
        numbers = ", ".join(str(keys.index(key) + 1) for key in line.sources)
        said.append(f"{line.text[:-1]} [{numbers}]." if numbers else line.text)
    return said, keys


def _said(text: str, *methods: str) -> Line:
    return Line(Kind.TEXT, f"{capital(text)}", sources=method_keys(*methods))


def _design(answer, trials) -> str:
    data, many = trials[0].data, len(trials) > 1
    n, lost = sum(len(t.data.yields) for t in trials), sum(t.data.left_out for t in trials)
    blocks = 1 if data.block is None else len(set(data.block))
    where = f"{len(trials)} trials" if many else counted(blocks, "block") if blocks > 1 else "one field"
    if groups := getattr(answer, "groups", None):
        where = f"{len(trials)} levels of {groups.factor}{f', {blocks} blocks each' * (blocks > 1)}"
    crop = f"{answer.crop} yield" if answer.crop else "yield"
    left = f"; {counted(lost, 'strip')} without a yield left out" if lost else ""
    return f"{crop} was measured in {n} strips at {_tested(answer, trials)} in {where}{left}."


def _tested(answer, trials) -> str:
    """The rates that were tested, each nutrient by itself."""
    data = trials[0].data
    if hasattr(data, "nutrients"):
        columns = zip(data.nutrients, data.rates.T, data.rate_units, strict=True)
        return " and ".join(_rates(np.unique(rates), name, unit) for name, rates, unit in columns)
    return _rates(np.concatenate([trial.data.rates for trial in trials]), answer.nutrient, data.rate_unit)


def _rates(rates, nutrient, unit) -> str:
    rates = factor(rates)[1]
    shown = ", ".join(map(show, rates))
    shown = shown if len(rates) <= MOST_RATES else f"{show(rates[0])} to {show(rates[-1])}"
    return f"{len(rates)} rates{f' of {nutrient}' if nutrient else ''} ({shown} {unit})"


def _yields(strips) -> list[Line]:
    if strips is None or not hasattr(strips, "standard_moisture_pct"):
        return []
    text = f"{capital(yields_text(strips, cited=False))}."
    return [Line(Kind.TEXT, text, sources=tuple(strips.sources["source_key"]))]


def _means(strips) -> list[Line]:
    ways = strips.methods
    df = next((words for name, words in _DF.items() if name in ways), "Student's t")
    model = [
        name
        for name in ways
        if name in ("anova", "reml", "satterthwaite", "kenward-roger", "neighbours", "lots")
    ]
    lines = [
        _said(f"treatment means were compared by {strips.method}; {strips.level:.0%} intervals are by {df} "
              f"({plain(strips.error_df)} error degrees of freedom).", *model),
        _said(f"{letters_text(strips)}.", strips.adjust, "letters"),
    ]  # fmt: skip
    if strips.check_strip is not None:
        text = f"each treatment was compared with the check, {show(strips.check_strip)}, by Dunnett's test; "
        text += "these intervals are simultaneous."
        lines.append(_said(text, "dunnett"))
    return [
        *lines,
        _said("residuals were checked for normality (Shapiro-Wilk), equal variance (Brown-Forsythe), "
              "additivity (Tukey) and correlation of neighbouring strips (Durbin-Watson).", "assumptions"),
        _said("outlying strips were looked for; none was removed.", "outliers"),
    ]  # fmt: skip


def _priced(price, currency) -> str:
    """Write a price in full: a sign stands before it, a name behind."""
    named = currency[:1].isalpha()
    return f"{plain(price)} {currency}" if named else f"{currency}{plain(price)}"


def _curves(trials) -> list[Line]:
    first = trials[0]
    prices, unit = first.prices, first.rate_unit
    nutrient, grain = (_priced(price, prices.currency) for price in (prices.nutrient, prices.grain))
    price = _said(
        f"the nutrient cost {nutrient} per {prices.nutrient_per} and grain was worth "
        f"{grain} per {prices.grain_per}, a price ratio of {plain(first.price_ratio)} "
        f"{first.yield_unit} per {unit}."
    )
    if first.comparison is None:
        return [price, _said("two rates give no curve; the difference of means minus cost is reported.")]
    names = ", ".join(CURVES[key].label for key in first.fits if key != MEAN.key)
    lines = [
        _said(
            f"response curves ({names}) were fitted by least squares with block effects removed.", "curves"
        ),
        _said("joins of plateau curves were found by exact search.", "join"),
        _said("curves were ranked by AICc.", "aicc"),
        price,
    ]
    return [*lines, *(_said(*parts) for parts in _optimum(trials))]


def _optimum(trials):
    """What decides the optimum of these trials: an average of curves, one curve, or no response."""
    level, kinds = f"{trials[0].level:.0%}", {trial.curve for trial in trials}
    interval = (
        f"its {level} interval is exact for curves linear in their parameters and a profile of the residual "
        "sum of squares for others"
    )
    if "averaged" in kinds:
        yield ("the economic optimum rate is the average of six curves, weighted by AICc.", "average")
        yield (
            f"{interval}, combined by model-averaged tail areas and covering the interval of each curve the "
            "trial does not reject.", "exact", "profile", "tails",
        )  # fmt: skip
    for key in sorted(kinds & {*CURVES} - {MEAN.key}):
        yield (
            f"the economic optimum rate is that of the {CURVES[key].label} curve; {interval}.",
            "exact",
            "profile",
        )
    if MEAN.key in kinds:
        yield (
            "no response is reported where no curve had a lower AICc than the mean or, with few strips, a "
            "parabola was not significant at 5%.", "aicc",
        )  # fmt: skip
    yield from _treated(trials)
    if any(trial.draws for trial in trials):
        draws = max(len(rows) for trial in trials for rows in trial.draws.values())
        yield (
            f"regret was computed over {draws:,} draws of every curve by resampling residuals.",
            "bootstrap",
        )


def _treated(trials):
    """What was done about far strips and an uneven error, where that was asked for."""
    treated = [one for trial in trials if (one := getattr(trial, "treated", None))]
    pulled = [one.pulled for one in treated if one.pulled is not None]
    if pulled:
        yield (
            f"yields of {counted(sum(map(len, pulled)), 'outlying strip')} were adjusted by Huber's estimate "
            "of rate and block means before fitting.", "robust",
        )  # fmt: skip
    if ratios := [plain(one.ratio) for one in treated if one.ratio is not None]:
        yield (
            "strips were weighted by the inverse of an error variance that changes with the rate, fitted by "
            f"REML (ratio of standard deviations, highest to lowest rate: {', '.join(ratios)}).", "reml",
        )  # fmt: skip


def _pooled(answer) -> list[Line]:
    lines, pooled = [], answer.contrast
    if pooled is not None:
        treatment, check = map(show, answer.contrast_of)
        lines.append(_said(
            f"the yield difference between {treatment} and {check} {answer.pooled.rate_unit} was estimated "
            f"at each site and pooled: {pooled.method}.", *pooled.methods,
        ))  # fmt: skip
    if answer.model is not None:
        lines.append(_said(
            "one nonlinear mixed model of all strips was also fitted by maximum likelihood, with level, "
            "slope and shape random by site and the shape integrated by adaptive quadrature.", "nonlinear "
                                                                                               "mixed",
        ))  # fmt: skip
    return lines


def _options(answer, *names) -> list[Line]:
    """What other results of an answer were made by: each says how, and names its methods."""
    held = [getattr(answer, name, None) for name in names]
    return [_said(f"{one.how}.", *one.methods) for one in held if getattr(one, "how", "")]


def paper_lines(paper) -> list[Line]:
    """Say the methods paragraph, and what only the authors can add."""
    lines, _ = numbered(methods_lines(paper.answer, paper.strips))
    return [*map(told, lines), *notes([f"to be added by the authors: {BY_AUTHORS}"])]


def residual_lines(residuals) -> list[Line]:
    """Say how residuals lie, and which strips weigh most."""
    table = residuals.table
    far, heavy = (
        table["standardised"].abs().gt(2).sum(),
        table["leverage"].gt(2 * residuals.usual_leverage).sum(),
    )
    usual = plain(residuals.usual_leverage)
    return [told(
        f"Residuals of the {residuals.of} over {counted(len(table), 'strip')}: {far} beyond two standard "
        f"deviations; {heavy} with more than twice the mean leverage ({usual})."
    )]  # fmt: skip
