"""Panel: which nutrients a leaf test finds short, by which published ranges, and how sure that is."""

from dataclasses import dataclass, replace

from fertkit.intake.tissue import read_tissue
from fertkit.panels import controls
from fertkit.panels.base import Panel, said_by
from fertkit.plots.tissue import sample_detail
from fertkit.reference.load import load_ranges
from fertkit.results import counted
from fertkit.say.leaf import all_clear, gaps
from fertkit.tissue.causes import explain
from fertkit.tissue.score import score_tissue

ALL_SAMPLES = "all samples at a glance"
ALL_SOURCES = "every source that holds, side by side"
CAUTION = (
    "A low value says what is short in the leaf, not why, nor what to apply: look at soil and roots; "
    "keep to local recommendations and the product label, and ask a licensed or certified adviser."
)


@dataclass(frozen=True)
class LeafSettings:
    """What the panel asks.

    Attributes
    ----------
    sample : str
        Sample in detail; empty for all at a glance.
    source : str
        Key of one source; empty for all that hold.
    crop, stage, part : str
        Where the file does not tell them; empty otherwise.
    cv_pct : float
        Relative standard deviation of a result, laboratory and sampling together [%]; 0 for the placeholders.
    """

    sample: str = ""
    source: str = ""
    crop: str = ""
    stage: str = ""
    part: str = ""
    cv_pct: float = 0.0


class LeafPanel(Panel):
    """Score leaf tests against published ranges and show where each value lies."""

    title = "What the leaf says"
    about = "Each result against the ranges published for that crop, growth stage and plant part."
    Settings = LeafSettings
    file_words = "Open a laboratory file"
    accept = ".csv,.tsv,.txt,.xlsx,.xls,.ods"
    reading = ("crop", "stage", "part")

    def ask(self, settings):
        crops = sorted(load_ranges()["crop"].unique())
        return {
            "sample": controls.choice("Sample", [(ALL_SAMPLES, "")], ""),
            "source": controls.choice("Published ranges of", [(ALL_SOURCES, "")], ""),
            "crop": controls.choice("Crop, if the file does not tell", [("the file tells", ""), *crops], ""),
            "stage": controls.line("Growth stage, if the file does not tell", settings.stage, "R2"),
            "cv_pct": controls.number("Noise of a result, in % (0: placeholders)", settings.cv_pct, 0, 50),
            "part": controls.line("Plant part, if the file does not tell", settings.part, "ear leaf"),
        }

    def read(self, source, name):
        told = {key: self.controls[key].value.strip() or None for key in self.reading}
        return read_tissue(source, name=name, **told)

    def follow(self, name):
        if name is not None:
            return
        samples = dict.fromkeys(self.data.table["sample_id"].astype(str))
        controls.offer(self.controls["sample"], [(ALL_SAMPLES, ""), *((one, one) for one in samples)])
        self._every = score_tissue(self.data)
        keys = [(key, key) for key in sorted(set(self._every.scored["source_key"]) - {""})]
        controls.offer(self.controls["source"], [(ALL_SOURCES, ""), *keys])

    def compute(self, settings):
        if not (settings.source or settings.cv_pct):
            return self._every
        return score_tissue(self.data, source=settings.source or None, cvs=settings.cv_pct or None)

    def draw(self):
        if self.settings.sample:
            return sample_detail(self.result, self.settings.sample)
        return self.result.plot()

    def message(self):
        """How many results a source calls short, the surest first; nothing judged is never an all-clear."""
        judged = self._chosen(self.result.agreement)
        about = self.settings.sample or counted(judged["specimen"].nunique(), "sample")
        if not (judged["sources"] > 0).any():
            return f"{about}: nothing could be judged, see the cautions below."
        found = self._chosen(self.result.shortfalls)
        short = found[found["short"] > 0]
        within = len(found) - len(short)
        aside = f"\n{within} within a critical range, see In words" if within else ""
        if not len(short):
            shown = replace(self.result, scored=self._chosen(self.result.scored))
            return f"{about}: {all_clear(shown)}.{aside}"
        surest = short.sort_values("probability_below", ascending=False, kind="stable")
        said = [_said(row, bool(self.settings.sample)) for row in surest.head(3).itertuples()]
        more = f"\nand {len(surest) - 3} more, see In words" if len(surest) > 3 else ""
        count = f"{len(short)} result{'s' * (len(short) > 1)} short by a source or more"
        shown = replace(self.result, scored=self._chosen(self.result.scored))
        missing = gaps(shown)
        lost = f"\nNot in this verdict: {'; '.join(missing)}." if missing else ""
        return f"{about}: {count}.\n" + "\n".join(said) + more + aside + lost

    def words(self):
        return explain(self.result, sample=self.settings.sample or None).lines()

    def cautions(self):
        without = self.result.conditions
        told = without.loc[without["why"].ne(""), ["crop", "growth_stage", "plant_part", "why"]]
        lines = [
            f"No range for {', '.join(filter(None, (r.crop, r.growth_stage, r.plant_part)))}: {r.why}."
            for r in told.itertuples()
        ]
        return [*lines, *said_by(self.result.checks), CAUTION]

    def code(self):
        s = self.settings
        told = "".join(f", {key}={getattr(s, key)!r}" for key in self.reading if getattr(s, key))
        return (
            "from fertkit import read_tissue, score_tissue\n"
            f"result = score_tissue(read_tissue({self.file!r}{told}), source={s.source or None!r}, "
            f"cvs={s.cv_pct or None})\n"
            "print(result.summary())"
        )

    def _chosen(self, table):
        wanted = self.settings.sample
        return table[table["sample_id"].astype(str) == wanted] if wanted else table


def _said(row, one_sample: bool) -> str:
    limits = f"{row.lowest_limit:g}" if row.lowest_limit == row.highest_limit else (
        f"{row.lowest_limit:g} to {row.highest_limit:g}"
    )  # fmt: skip
    which = "" if one_sample else f"{row.label}, "
    return (
        f"{which}{row.nutrient} {row.censored}{row.value:g} {row.unit} against a lower limit of {limits}: "
        f"{row.verdict} ({row.short} of {row.sources})"
    )
