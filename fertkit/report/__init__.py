"""Answers put together for people: ten lines to read aloud, one page to hand over."""

from fertkit.report.answer import FieldAnswer, answer_field
from fertkit.report.field import field_lines, field_page
from fertkit.report.page import Section, render_page
from fertkit.report.write import write_whole

__all__ = [
    "FieldAnswer",
    "Section",
    "answer_field",
    "field_lines",
    "field_page",
    "render_page",
    "write_whole",
]
