"""How a panel stands on its page: its scripts, what the page tells it, and what the page keeps for it."""

from math import inf

import ipywidgets as widgets

from fertkit.panels import show
from fertkit.panels.sheet import POINTS, READABLE
from fertkit.plots.palette import SMALL

#: Least width of a figure [in]: of a telephone.
NARROWEST = 3.0


class OnPage:
    """What panels of every kind have in common on a page."""

    raise_errors = False  # tests and notebooks under test want the error itself
    _inches = inf  # room for a figure, told by a narrow page

    def take_back(self, text: str) -> None:
        """Take back what the page kept from before the kernel ended."""
        raise NotImplementedError

    def _show_again(self) -> None:
        """Draw the answer for the room there is now."""
        raise NotImplementedError

    def _put_on_page(self, pieces, kept: str) -> None:
        """Make the view: the pieces, and unseen what the page keeps and where it gives that back."""
        self._kept = widgets.HTML()
        again = heard("again", kept, self.take_back)
        room = heard("room", "Room for figures", self._fit)
        self.view = box([*pieces, self._kept, again, room], "panel")

    def _fit(self, pixels: str) -> None:
        """Draw anew for a page with so much room, its letters readable."""
        self._inches = max(float(pixels) * SMALL / (READABLE * POINTS), NARROWEST)
        if self.result is not None:
            self._show_again()

    def _ipython_display_(self):
        from IPython.display import Javascript, display

        display(Javascript(show.naming_script() + show.alive_script()))
        display(self.view)


def heard(name: str, description: str, use) -> widgets.Text:
    """A line that the page writes in and nobody sees."""
    line = widgets.Text(continuous_update=False, description=description)
    line.observe(lambda change: use(change["new"]), "value")
    line.add_class(f"fertkit-{name}")
    return line


def box(children, name: str) -> widgets.Box:
    """A box of our own style."""
    made = widgets.Box(children)
    made.add_class(f"fertkit-{name}")
    return made
