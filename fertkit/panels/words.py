"""What the library says at length, for a page that has controls and no command line."""

import re
from html import escape
from itertools import groupby

from fertkit.asked import asks, holding
from fertkit.results import capital
from fertkit.say import Kind, Line

#: What follows an option: the same in Python; and how a column is named in code and in commands.
_PYTHON = r" \((?:--\w+; )?(?:in )?Python(?: also)?:? [^)]*\)"
_COLUMN = r"--column \w+=\"[^\"]*\" \(in Python columns=\{[^}]*\}\)"
_SHARE = "write the rates as amounts of a nutrient, as in 'N rate (lb/ac)'"
#: What is said to those who write code or commands, and what it comes to where there are only controls.
_IN_CODE = {
    r"(say|choose) the crop(, for example crop='corn'| \(--crop [^)]*\))": "choose the crop",
    r", give --crop [\w ]+": ", choose it",
    r"give it: yield_unit= \(--goal-unit on the command line\)": "choose one of",
    rf",? or (say|state it:) --units [^(]*{_PYTHON}": "",
    rf"say --units [^(]*{_PYTHON}": "write their unit in the header",
    r",? or state the unit \(--units\)": "",
    r" \(--units [^)]*\)": "",
    rf"; (where so little was harvested|if yields were that low), say --real-yields{_PYTHON}": "",
    rf"say its analysis, such as --analysis .*?{_PYTHON}": _SHARE,
    rf"say which nutrient the trial is about: --analysis .*?{_PYTHON}": _SHARE,
    rf"say --density in \S+{_PYTHON}, as the label has it": _SHARE,
    rf",? or say {_COLUMN}": "",
    rf"(if not|if it is something else), say {_COLUMN}": r"\1, take the column out of the file",
    rf"choose one: {_COLUMN}": "keep one of them, or rename the others",
    rf"(?:for the sum of the two say|or, for their sum:) {_COLUMN}": "for their sum, write it in one column",
    r"say --column other=\"([^\"]*)\" \(in Python columns=\{[^}]*\}\)": r"take '\1' out of the file",
    r"say --column (\w+)=\"([^\"]*)\" \(in Python columns=\{[^}]*\}\)": r"write '\1' as its header",
    r"(,? or)? (say|give) columns=\{[^}]*\}": "",
    r"choose one with columns=\{[^}]*\}": "keep one of them, or rename the others",
    r"(say|give) units=\{[^}]*\}(: | or the like)?": "write the unit into the header ",
    r"name one with sheet= \(--sheet\)": "keep one of them in the file",
    rf", or state the decimal mark: --decimal ,{_PYTHON}": "",
    r"give date_format='dmy' or 'mdy'( \(--dates\))?": "write dates like 2026-07-21",
    r"state your laboratory's own \(fertkit leaf --cv\)": "put in your laboratory's own noise of a result",
    r"give your laboratory's own with cvs=": "put in your laboratory's own",
    r"state it, e\.g\. ": "write it under Plant part, for example ",
    r'--part ("[^"]*")': r"\1",
    r"; give [^;(]*= \(command line: [^)]*\)": "; write it in the file",
    r" \(command line: [^)]*\)": "",
    r"use design='blocks'": "choose the design of randomised blocks",
    r"use design='pairs'": "choose the design of pairs",
    r"give blocks=(\d+)": r"choose \1 blocks",
    r"leave residue='kept'": "set the share baled to 0",
    r"; give your own points=": "; choose another crop, or ask for the amounts",
    _PYTHON: "",
}
#: Marks of where a figure comes from, as they stand in tables, and in words.
_MARKS = {
    r", found\)": ", seen in print)",
    r", mixed\)": ", partly from memory)",
    r"from_memory": "from memory",
}
_QUIET = (Kind.MISSING, Kind.QUESTION, Kind.SOURCE)
_HANGING = (Kind.ROW, Kind.DETAIL, Kind.SOURCE)


def without_code(text: str) -> str:
    """Put a remedy given in code into words for a page that shows none."""
    for code, words in _IN_CODE.items():
        text = re.sub(code, words, text)
    return text.rstrip()


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
    for hanging, group in groupby(lines, lambda line: line.kind in _HANGING):
        items = "".join(map(_item if hanging else _piece, group))
        pieces.append(f"<ul>{items}</ul>" if hanging else items)
    return f'<div class="fertkit-prose">{"".join(pieces)}</div>'


def _piece(line: Line) -> str:
    if line.kind == Kind.HEAD:
        return f"<h3>{_said(line.text)}</h3>"
    if line.kind == Kind.SKETCH:  # a row that stands for a place in the field keeps its spaces
        return f'<div class="fertkit-scroll"><pre class="fertkit-row">{escape(line.text)}</pre></div>'
    label = f"{capital(line.label)}: " if line.label else ""
    text = f"<p{_class(line)}>{_said(label + line.text)}"
    if not line.items:
        return f"{text}</p>"
    items = "".join(f"<li>{_said(one)}</li>" for one in line.items)
    return f'<div class="fertkit-quiet">{text}:</p><ul>{items}</ul></div>'


def _item(line: Line) -> str:
    label = (
        f"<b>{_said(capital(line.label))}{'' if line.kind == Kind.ROW else ':'}</b> " if line.label else ""
    )
    return f"<li{_class(line)}>{label}{_said(line.text)}</li>"


def _class(line: Line) -> str:
    return ' class="fertkit-quiet"' if line.kind in _QUIET else ""


def _said(text: str) -> str:
    for mark, words in _MARKS.items():
        text = re.sub(mark, words, text)
    return escape(without_code(text))
