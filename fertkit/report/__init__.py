"""Answers put together for people: lines to read aloud, a page to hand over, a workbook of its tables.

Method
------
* Ask: `answer_field`, `answer_trial`, `answer_network`, `answer_farm` and `answer_plan` put one question to
  every floor below and hold the results together; nothing is computed here.
* Read aloud: ``answer.summary()`` says what was found, how sure, and on what grounds.
* Hand over: ``answer.page()`` is one self-contained HTML document, without scripts and without a request to
  any network, with a print form; every text of the user is escaped.
  ``answer.write_page("north.html")`` writes it whole or not at all.
* Keep: ``answer.write_workbook("north.xlsx")`` writes the same tables with cells that could be taken for
  formulas made harmless.
* A new kind of answer builds sections (`Section`); `render_page` makes a page of any sections.
* Numbers are rounded by one rule, `fertkit.results.plain`: three significant digits, no exponents.

Examples
--------
>>> from fertkit.report import answer_farm
>>> import pandas as pd
>>> fields = pd.DataFrame({"crop": ["soybean"], "yield_goal_bu_ac": [40.0], "area_ac": [80.0]})
>>> answer_farm(fields).write_page("farm.html").name
'farm.html'
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "farm": ["answer_farm"],
        "plan": ["answer_plan"],
        "points": ["answer_points"],
        "fields": ["answer_field"],
        "groups": ["answer_groups"],
        "network": ["answer_network"],
        "page": ["render_page"],
        "sections": ["Section"],
        "trial": ["answer_trial"],
    },
)
