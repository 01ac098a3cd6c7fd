"""Pieces of a panel as HTML: text, table, banner, download link. All text of a user is escaped here.

HTML pieces are used because the core widgets give pictures no alternative text; a data address needs no file
and no network.
"""

from base64 import b64encode
from dataclasses import replace
from html import escape
from importlib.resources import files

import pandas as pd

from fertkit.errors import InputError
from fertkit.results import capital, table_html

SHOWN_ROWS = 200


def style() -> str:
    """Give the style sheet of the panels as HTML."""
    return f"<style>{_own('panel.css')}</style>"


def naming_script() -> str:
    """Give the script that names slider handles, which the core widgets leave without a name."""
    return _own("names.js")


def _own(name: str) -> str:
    return (files("fertkit.panels") / name).read_text(encoding="utf-8")


def paragraphs(text: str) -> str:
    """Turn plain text into HTML paragraphs, one a line."""
    return "".join(f"<p>{escape(line.strip())}</p>" for line in text.splitlines() if line.strip())


def said(text: str) -> str:
    """Show the message of a figure; a screen reader says it again when it changes."""
    return f'<div role="status" class="fertkit-says">{paragraphs(text)}</div>'


def cautions(lines) -> str:
    """Show what to keep in mind."""
    return f'<div class="fertkit-cautions">{bullets(lines)}</div>'


def bullets(lines) -> str:
    """Turn lines of plain text into an HTML list."""
    return "<ul>" + "".join(f"<li>{escape(str(line))}</li>" for line in lines) + "</ul>"


def table(frame: pd.DataFrame) -> str:
    """Show a table, at most `SHOWN_ROWS` rows of it; it scrolls sideways by keyboard too."""
    shown = frame.head(SHOWN_ROWS)
    more = f"<p>{len(frame) - len(shown)} more rows in the download.</p>" if len(frame) > len(shown) else ""
    scrolls = '<div class="fertkit-scroll" tabindex="0" role="region" aria-label="table">'
    return f"{scrolls}{table_html(shown)}</div>{more}"


def checks(frame: pd.DataFrame) -> str:
    """Show the checks of a result; what one means holds where it is not passed."""
    passed = frame["passed"].map({True: "yes", False: "no"}).fillna("not judged")
    return table(frame.assign(passed=passed).rename(columns={"meaning": "if not passed"}))


def sources(frame: pd.DataFrame | None) -> str:
    """List citations; a result without any used no published value."""
    return "<p>No published value was used.</p>" if frame is None or frame.empty else table(frame)


def data_address(content: bytes, kind: str) -> str:
    """Give bytes as a data address."""
    return f"data:{kind};base64,{b64encode(content).decode('ascii')}"


def download(words: str, name: str, content: str, kind: str = "text/csv") -> str:
    """Give a link that saves a text under a name, without a server."""
    address = data_address(content.encode("utf-8"), kind)
    return (
        f'<a class="fertkit-save" download="{escape(name, quote=True)}" href="{address}">{escape(words)}</a>'
    )


def banner(error: Exception, doing: str) -> str:
    """Say in one plain sentence what went wrong, with every problem of a file below it; never a traceback."""
    places = ""
    if isinstance(error, InputError):
        count = len(error.problems)
        text = f"{error.file} cannot be used: {count} thing{'s' * (count > 1)} to mend."
        places = bullets(_told(one) for one in error.problems[: InputError.SHOWN])
    else:
        text = error.plain or type(error).__name__
    return _alert(f"<p>Stopped while {escape(doing)}: {escape(text)}</p>{places}")


def _told(problem) -> str:
    """Say a problem of a file in sentences that begin with capitals."""
    return capital(replace(problem, remedy=capital(problem.remedy)).plain)


def unexpected(error: Exception, doing: str) -> str:
    """Say that something went wrong that nobody foresaw."""
    kind = f"{type(error).__name__}: {' '.join(str(error).split())}"[:300]
    return _alert(
        f"<p>Stopped while {escape(doing)}: something unforeseen ({escape(kind)}). "
        "No result is shown; change a setting or press Start over.</p>"
    )


def old(said: str) -> str:
    """Say below a banner whose figures are still shown."""
    return f'<div class="fertkit-old-said">{paragraphs(said)}</div>'


def _alert(content: str) -> str:
    return f'<div role="alert" class="fertkit-banner">{content}</div>'


def empty() -> str:
    """Hold the place of a figure that is not there."""
    return '<div class="fertkit-figure fertkit-empty">No result to show.</div>'
