"""What the rows of a season plan contradict or leave unsaid."""

from fertkit.intake.spellings import listed

_MOST = 6  # places named in one note
_ENTER = "give its nitrogen as a credit, by your state or provincial guide"
#: Kind of a finding -> its words; of what is named whole, every place is.
WORDS = {
    "no manure rate": "manure without a rate is not counted: {whole}; give the manure rate [ton/ac]",
    "no row": "no row for season {year}, so not planned: {whole}",
    "areas": "the area differs between years and is used as written: {whole}",
    "contradicted": "previous crops contradicted by another row, used as written: {whole}",
    "taken before": "previous crop not stated, taken from the row of the year before: {where}",
    "unknown before": f"previous crop unknown here, so nothing is credited for it: {{where}}; {_ENTER}",
    "no content": "{nutrients} of the manure counted nowhere, as its content is not known: {where}; "
    "give its analysis [lb/{measure}]",
    "strange tests": "soil tests of fields outside the plan: {whole}",
    "unknown zones": "soil tests of unknown zones, not used: {whole}",
    "legume": f"no nitrogen credit for {{crop}} before is published here: {{where}}; {_ENTER}",
    "legume elsewhere": "no nitrogen credit for {crop} before is taken without a region: {where}; name the "
    f"region, or {_ENTER}",
    "second year": "nitrogen of {crop} two years before is not counted: {where}; {note} [{key}]",
    "nothing needed": "no field needs a nutrient this season: nothing to buy or apply",
    "idle pass": "no crop of the season can use the pass '{name}' ({why})",
    "free passes": "amounts may be too small to spread where a pass costs nothing: {quoted}; enter its cost",
}


def plan_notes(plan) -> list[str]:
    """Say what the readers and the plan found, each without its full stop."""
    return [note if isinstance(note, str) else _worded(*note) for note in plan.notes]


def _worded(kind, about):
    where, why = about.get("where", []), about.get("why", [])
    blanks = {"where": listed(where, _MOST), "whole": ", ".join(where), "why": ", ".join(why),
              "quoted": listed([f"'{name}'" for name in where], _MOST),
              "nutrients": " and ".join(about.get("nutrients", []))}  # fmt: skip
    return WORDS[kind].format(**about | blanks)
