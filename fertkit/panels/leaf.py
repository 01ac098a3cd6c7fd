"""Panel: which nutrients a leaf test finds short, by which published ranges, and how sure that is."""

import re

from fertkit.intake.facts import fact_table, fact_words, read_facts
from fertkit.intake.leaf import read_tissue
from fertkit.panels import controls, show
from fertkit.panels.base import Panel
from fertkit.plots.leaf import sample_detail
from fertkit.reference.load import load_ranges, short_names
from fertkit.reference.profiles import as_typed, read_profile
from fertkit.report.field import page_name
from fertkit.report.fields import answer_field
from fertkit.say.line import DEFER, Kind
from fertkit.tissue.explanation import explain
from fertkit.tissue.score import score_tissue

ALL_SAMPLES = "all samples at a glance"
ALL_SOURCES = "all that fit, side by side"
UNKNOWN = ("not known", "")
SOIL = "soil_"  # how the names of soil tests by rating begin: they share one line
MOST_SHEETS = 8  # fields whose sheets are offered at once
SHEETS = f"A page of each field to print or send; of the first {MOST_SHEETS} where there are more"


class LeafPanel(Panel):
    """Score leaf tests against published ranges and show where each value lies.

    Parameters
    ----------
    data
        A laboratory's file.
    sample : str
        Sample in detail; empty for all at a glance.
    source : str
        Key of one source; empty for all that hold.
    crop, stage, part : str
        Where the file does not tell them; empty otherwise.
    cv_pct : float
        Relative standard deviation of a result, laboratory and sampling together [%]; 0 for the placeholders.
    ph, om, cec, texture, weather, roots, ... : str
        What is known of the field (`fertkit.intake.facts.fact_table`); empty where it is not.
    soil : str
        The laboratory's ratings of the soil test, as in "K=low Mg=high".
    profile : path, optional
        File that says which ranges decide (`fertkit.reference.profiles.read_profile`).
    """

    title = "What the leaf says"
    about = "Each result against the published ranges for its crop, growth stage and plant part."
    file_words = "Open a laboratory file"
    accept = ".csv,.tsv,.txt,.xlsx,.xls,.ods"
    reading = ("crop", "stage", "part")
    caution = DEFER
    numbers = ("sample_id", "crop", "growth_stage", "plant_part", "nutrient", "value", "unit", "class", "low",
               "high", "critical", "probability_below", "source_key")  # fmt: skip
    folded_words = "What you know of the field"
    folded = ("soil", *(name for name in fact_table()["name"] if not name.startswith(SOIL)))
    belonging = folded

    def __init__(self, data=None, *, profile=None, **settings):
        self._studies = read_profile(profile, "leaf") if profile else {}
        super().__init__(data, **settings)

    def ask(self):
        crops = sorted(load_ranges()["crop"].unique())
        return {
            "sample": controls.choice("Sample", [(ALL_SAMPLES, "")]),
            "source": controls.choice("Published ranges", [(ALL_SOURCES, "")]),
            "crop": controls.choice("Crop, if not in the file", [("as in the file", ""), *crops]),
            "stage": controls.line("Growth stage, if not in the file", "R2"),
            "cv_pct": controls.number("Laboratory and sampling error, % (0: typical)", 0.0, 0, 50),
            "part": controls.line("Plant part, if not in the file", "ear leaf"),
            "soil": controls.line("Soil-test ratings", "K=low Mg=high"),
        } | {
            r.name: _fact(r)
            for r in fact_table().set_index("name", drop=False).loc[list(self.folded[1:])].itertuples()
        }

    @property
    def facts(self) -> dict:
        """What the controls say of the field."""
        typed = re.findall(r"([^\s=,;]+)\s*=\s*([^\s=,;]+)", self.settings.soil)
        soil = {f"{SOIL}{nutrient}": word for nutrient, word in typed}
        return read_facts({name: getattr(self.settings, name) for name in self.folded[1:]} | soil)

    def read(self, source, name):
        told = {key: self.controls[key].value.strip() or None for key in self.reading}
        return read_tissue(source, name=name, **told)

    def follow(self, name):
        if name is not None:
            return
        samples = dict.fromkeys(self.data.table["sample_id"].astype(str))
        controls.offer(self.controls["sample"], [(ALL_SAMPLES, ""), *((one, one) for one in samples)])
        self._every = score_tissue(self.data, **self._studies)
        keys = [(short_names(key), key) for key in sorted(set(self._every.scored["source_key"]) - {""})]
        controls.offer(self.controls["source"], [(ALL_SOURCES, ""), *keys])

    def compute(self, settings):
        scores = self._every
        chosen = self._studies | ({"source": settings.source} if settings.source else {})
        if settings.source or settings.cv_pct:
            scores = score_tissue(self.data, cvs=settings.cv_pct or None, **chosen)
        self._scoring = chosen | {"cvs": settings.cv_pct or None}
        self._explained = explain(scores, sample=settings.sample or None, facts=self.facts)
        return scores

    def _build(self):
        super()._build()
        self._for_growers = controls.button("Make growers' sheets", self.make_sheets, SHEETS)
        self._keep.children = [self._for_growers, *self._keep.children]

    def make_sheets(self) -> None:
        """Put links to the growers' sheets before the others, where they stay until the answer changes."""
        if self.result is not None:
            with self._step("making the sheets", keep=True):
                self._links.value = " ".join([*self.sheets(), *self.saves()])

    def sheets(self) -> list[str]:
        """Give links that save the grower's sheet of each field; of one sample that of its field."""
        answer = answer_field(leaf=self.data, leaf_studies=self._scoring, facts=self.facts)
        each = getattr(answer, "fields", {"": answer})
        if chosen := self.settings.sample:
            each = {name: one for name, one in each.items() if chosen in set(one.scores.table["sample_id"])}
        return [
            show.download(f"Save sheet {name}".strip(), page_name(one), one.page(), "text/html")
            for name, one in list(each.items())[:MOST_SHEETS]
        ]

    def draw(self):
        if self.settings.sample:
            return sample_detail(self.result, self.settings.sample)
        return self.result.plot()

    def words(self):
        return self._explained.lines()

    def message(self):
        return super().message() if self.settings.sample else "\n".join(self.spoken(Kind.LEAD))

    def cautions(self):
        return [*self.spoken(Kind.MISSING), *super().cautions()]

    def code(self):
        s = self.settings
        told = "".join(f", {key}={getattr(s, key)!r}" for key in self.reading if getattr(s, key))
        source = s.source or self._studies.get("source")
        sample = f", sample={s.sample!r}" if s.sample else ""
        facts = f", facts={self.facts!r}" if self.facts else ""
        studies = "".join(f", {k}={v!r}" for k, v in as_typed(self._studies).items() if k != "source")
        return (
            "from fertkit import explain, read_tissue, score_tissue\n"
            f"result = score_tissue(read_tissue({self.file!r}{told}), source={source!r}, "
            f"cvs={s.cv_pct or None}{studies})\n"
            f"print(explain(result{sample}{facts}).summary())"
        )


def _fact(r):
    """The control of one fact: a line for a number or nutrients, else a list of its words."""
    if r.kind in ("number", "nutrients"):
        return controls.line(r.asks, {"number": "", "nutrients": "Zn Mn"}[r.kind])
    words = dict.fromkeys(fact_words(r.name).values())
    return controls.choice(r.asks, [UNKNOWN, *((word, word) for word in words)], "")
