"""Answers put together for people: lines to read aloud, a page to hand over, a workbook of its tables.

Method
------
* Ask: `answer_field`, `answer_trial` and `answer_network` put one question to every floor below and hold
  the results together; nothing is computed here.
* Read aloud: ``answer.summary()`` says what was found, how sure, and on what grounds.
* Hand over: `field_page`, `trial_page`, `network_page` are one self-contained HTML document each, without
  scripts and without a request to any network, with a print form; every text of the user is escaped.
* Keep: `write_workbook` writes the same tables as XLSX with cells that could be taken for formulas made
  harmless, whole or not at all.
* Numbers are rounded by one rule, `fertkit.results.plain`: three significant digits, no exponents.

Examples
--------
>>> from fertkit.report import Section, render_page
>>> page = render_page("North field", [Section("What was found", paragraphs=("Nothing is short.",))])
>>> "<h1>North field</h1>" in page
True
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach(
    __name__,
    submod_attrs={
        "answer": ["answer_field", "FieldAnswer"],
        "field": ["field_page"],
        "network": ["network_page"],
        "network_answer": ["answer_network", "NetworkAnswer"],
        "page": ["render_page", "Section"],
        "tables": ["Table"],
        "trial": ["trial_page"],
        "trial_answer": ["answer_trial", "TrialAnswer"],
        "workbook": ["write_workbook"],
    },
)
