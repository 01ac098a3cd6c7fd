"""Answers put together for people: lines to read aloud, a page to hand over, a workbook of its tables."""

from fertkit.report.answer import FieldAnswer, answer_field
from fertkit.report.field import field_lines, field_page
from fertkit.report.network import network_lines, network_page
from fertkit.report.network_answer import NetworkAnswer, answer_network
from fertkit.report.page import Section, render_page
from fertkit.report.tables import Table
from fertkit.report.trial import trial_lines, trial_page
from fertkit.report.trial_answer import TrialAnswer, answer_trial
from fertkit.report.workbook import write_workbook
from fertkit.report.write import write_whole

__all__ = [
    "FieldAnswer",
    "NetworkAnswer",
    "Section",
    "Table",
    "TrialAnswer",
    "answer_field",
    "answer_network",
    "answer_trial",
    "field_lines",
    "field_page",
    "network_lines",
    "network_page",
    "render_page",
    "trial_lines",
    "trial_page",
    "write_whole",
    "write_workbook",
]
