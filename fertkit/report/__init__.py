"""Answers put together for people: lines to read aloud, a page to hand over, a workbook of its tables.

Method
------
* Ask: `answer_field`, `answer_trial` and `answer_network` put one question to every floor below and hold
  the results together; nothing is computed here.
* Read aloud: ``answer.summary()`` says what was found, how sure, and on what grounds.
* Hand over: `field_page`, `trial_page`, `network_page` are one self-contained HTML document each, without
  scripts and without a request to any network, with a print form; every text of the user is escaped.
* Keep: `write_workbook` writes the same tables as XLSX with cells that could be taken for formulas made
  harmless; `write_whole` writes a file whole or not at all.
* Numbers are rounded by one rule, `fertkit.results.plain`: three significant digits, no exponents.

Examples
--------
>>> from fertkit.report import Section, render_page, write_whole
>>> page = render_page("North field", [Section("What was found", paragraphs=("Nothing is short.",))])
>>> write_whole(page, "north.html").name
'north.html'
"""

from fertkit.report.answer import FieldAnswer, answer_field
from fertkit.report.field import field_page
from fertkit.report.network import network_page
from fertkit.report.network_answer import NetworkAnswer, answer_network
from fertkit.report.page import Section, render_page
from fertkit.report.tables import Table
from fertkit.report.trial import trial_page
from fertkit.report.trial_answer import TrialAnswer, answer_trial
from fertkit.report.workbook import write_workbook
from fertkit.writing import write_whole

__all__ = [
    "FieldAnswer",
    "NetworkAnswer",
    "Section",
    "Table",
    "TrialAnswer",
    "answer_field",
    "answer_network",
    "answer_trial",
    "field_page",
    "network_page",
    "render_page",
    "trial_page",
    "write_whole",
    "write_workbook",
]
