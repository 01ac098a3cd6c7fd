"""What the library says at length, for a page that has controls and no command line."""

from html import escape
from itertools import groupby

from fertkit.asked import asks, holding
from fertkit.results import capital
from fertkit.say.line import HANGING, Kind, Line

_QUIET = (Kind.MISSING, Kind.QUESTION, Kind.SOURCE)


@asks(result=holding("summary", like="a result of fertkit"))
def in_words(result):
    """Show the summary of a result below a cell, as a panel shows it.

    Parameters
    ----------
    result : fertkit.results.Result

    Returns
    -------
    IPython.display.HTML
    """
    from IPython.display import HTML

    return HTML(f'<div class="fertkit-panel">{prose(result.lines())}</div>')


def prose(lines) -> str:
    """Turn lines of an answer into HTML: headings, sentences, and what hangs on one as a list."""
    pieces = []
    for hanging, group in groupby(lines, lambda line: line.kind in HANGING):
        items = "".join(map(_item if hanging else _piece, group))
        pieces.append(f"<ul>{items}</ul>" if hanging else items)
    return f'<div class="fertkit-prose">{"".join(pieces)}</div>'


def _piece(line: Line) -> str:
    if line.kind == Kind.HEAD:
        return f"<h3>{escape(line.text)}</h3>"
    if line.kind == Kind.SKETCH:  # a row that stands for a place in the field keeps its spaces
        return f'<div class="fertkit-scroll"><pre class="fertkit-row">{escape(line.text)}</pre></div>'
    label = f"{capital(line.label)}: " if line.label else ""
    text = f"<p{_class(line)}>{escape(label + line.text)}"
    if not line.items:
        return f"{text}</p>"
    items = "".join(f"<li>{escape(one)}</li>" for one in line.items)
    return f'<div class="fertkit-quiet">{text}:</p><ul>{items}</ul></div>'


def _item(line: Line) -> str:
    label = (
        f"<b>{escape(capital(line.label))}{'' if line.kind == Kind.ROW else ':'}</b> " if line.label else ""
    )
    return f"<li{_class(line)}>{label}{escape(line.text)}</li>"


def _class(line: Line) -> str:
    return ' class="fertkit-quiet"' if line.kind in _QUIET else ""
