"""Labelled controls from the core set of ipywidgets.

Every control has its label above it (so that none is cut), commits a value only when it is finished (Enter,
Tab or letting go of a slider) and, if it takes a number, both bounds, which its help names. A number outside
them is kept as typed, so that the panel can say so instead of putting another in its place.
"""

import ipywidgets as widgets
from traitlets import Float, HasTraits, dlink

from fertkit.errors import FertkitError
from fertkit.intake.numbers import read_typed
from fertkit.intake.typed import pairs_of

_WIDE = {"description_width": "auto"}
#: Share of a number box's span that its slider covers.
SLIDER_SHARE = 0.4


def _plain(value: float) -> str:
    return f"{value:g}" if abs(value) < 10_000 else f"{value:,.0f}"


class _Bounded(HasTraits):
    """What a number box takes, and where its slider ends; the page knows of neither."""

    min, max, usual = Float(), Float(), Float()


class Decimal(_Bounded, widgets.FloatText):
    """A box for a number."""


class Whole(_Bounded, widgets.IntText):
    """A box for a whole number."""


def number(label: str, value: float, low: float, high: float, *, step: float = 1.0, whole: bool = False):
    """A number box that takes `low` to `high`."""
    box = (Whole if whole else Decimal)(
        value=value, min=low, max=high, usual=high * SLIDER_SHARE, step=step, style=_WIDE,
        continuous_update=False, description=label, tooltip=_bounds(low, high),
    )  # fmt: skip
    return _field(box)


def relabel(box, label: str, high: float, usual: float | None = None) -> None:
    """Give a number box another label, upper bound and end of its slider, as the units of a file ask for."""
    box.max, box.usual = high, high * SLIDER_SHARE if usual is None else usual
    box.description, box.tooltip = label, _bounds(box.min, high)


def _bounds(low: float, high: float) -> str:
    return f"from {_plain(low)} to {_plain(high)}"


def choice(label: str, options, value=None, *, broad: bool = False):
    """A drop-down list; one of long names is `broad` where controls stand side by side."""
    options = [one if isinstance(one, tuple) else (str(one), one) for one in options]
    value = options[0][1] if value is None else value
    box = _field(widgets.Dropdown(options=options, value=value, description=label, style=_WIDE))
    if broad:
        box.add_class("fertkit-broad")
    return box


def offer(control, options) -> None:
    """Give a drop-down list other options and choose the first, also where they are the same as before."""
    control.options = options
    control.index = 0


def tick(label: str, value: bool):
    """A box to tick."""
    return _field(widgets.Checkbox(value=value, description=label, indent=False, style=_WIDE))


def line(label: str, hint: str = "", value: str = "", offered: bool = False):
    """A line of text; one with texts `offered` holds others too."""
    kind = widgets.Combobox if offered else widgets.Text
    box = kind(value=value, description=label, placeholder=hint, style=_WIDE, continuous_update=False)
    return _field(box)


def show_only(fields: dict, names) -> None:
    """Show the fields of these names and hide the others."""
    for name, field in fields.items():
        field.layout.display = None if name in names else "none"


def file_picker(label: str, accept: str, several: bool = False):
    """A button that takes a file, or several."""
    button = widgets.FileUpload(accept=accept, multiple=several, description=label, icon="")
    button.add_class("fertkit-button")
    return button


def button(label: str, action, hint: str = ""):
    """A button that calls `action` without arguments."""
    made = widgets.Button(description=label, tooltip=hint or label)
    made.add_class("fertkit-button")
    made.on_click(lambda _: action())
    return made


def with_slider(box) -> widgets.VBox:
    """Put a slider under a number box; each moves the other, and the box is the one with the label.

    The slider spans the usual part of what the box takes; beyond it, the slider rests at its end.
    """
    low = 0.0 if 0 < box.min <= box.step else box.min  # steps counted from 0 stay round numbers
    slider = widgets.FloatSlider(
        value=box.value, min=low, max=box.usual, step=box.step, readout=False,
        continuous_update=False,
    )  # fmt: skip
    slider.add_class("fertkit-slider")
    dlink((box, "usual"), (slider, "max"))

    def follow_slider(change):
        if change["new"] != min(max(box.value, slider.min), slider.max):  # else it only rests at its end
            box.value = round(change["new"], 6)

    box.observe(lambda change: slider.set_trait("value", min(change["new"], slider.max)), "value")
    slider.observe(follow_slider, "value")
    pair = widgets.VBox([box, slider])
    pair.add_class("fertkit-pair")
    return pair


class Refused(FertkitError):
    """What stands in a control cannot be used."""


def check(*controls) -> None:
    """Refuse what controls cannot take, the first of them by its name.

    Raises
    ------
    Refused
    """
    for control in controls:
        if isinstance(control, _Bounded) and holds(control, control.value):
            takes = f"takes a number {_bounds(control.min, control.max)}, not {control.value:g}"
            raise Refused(f"'{control.description}' {takes}. Type another number")


def holds(control, value) -> str:
    """Say why a control cannot hold a value; empty when it can."""
    if isinstance(control, _Bounded):
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return "not a number"
        if not control.min <= value <= control.max:
            return f"outside {_plain(control.min)} to {_plain(control.max)}"
        return ""
    if isinstance(control, widgets.Dropdown):
        valid = [one[1] if isinstance(one, tuple) else one for one in control.options]
        return "" if value in valid else f"not one of: {', '.join(map(str, valid))}"
    if isinstance(control, widgets.Checkbox):
        return "" if isinstance(value, bool) else "neither true nor false"
    return "" if isinstance(value, str) else "not a text"


def numbers_of(text: str, doing: str) -> dict[str, float]:
    """Read 'A=1.5; B=2' as typed into a line."""
    try:
        return {name: read_typed(value) for name, value in pairs_of(text, doing, ";").items()}
    except ValueError as error:
        raise FertkitError(f"{error}; write '{text}' like {doing}") from None


def _field(widget):
    widget.add_class("fertkit-field")
    return widget
