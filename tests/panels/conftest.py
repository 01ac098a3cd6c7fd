"""Shared by the panel tests: a file as the browser hands it over, and the watch over swallowed errors."""

from datetime import UTC, datetime

import pytest


@pytest.fixture(autouse=True)
def _at_once(monkeypatch):
    """Show at once what stands below a panel: browser tests leave a loop that never turns."""
    monkeypatch.setattr("fertkit.panels.base.Panel.rest", 0)


@pytest.fixture(autouse=True)
def _no_swallowed_errors(caplog):
    """Fail a test in which a callback failed: outside a notebook ipywidgets only logs such errors."""
    yield
    assert "Exception in" not in caplog.text


class _Blank:
    """A sheet on which nothing is drawn."""

    def __init__(self, ax):
        pass

    def again(self, move):
        pass

    def html(self, says, **_):
        return says

    def svg(self):
        return b""


@pytest.fixture
def undrawn(undrawn, monkeypatch):
    """Leave figures undrawn where a test looks at words and numbers alone; `test_all` draws each panel's."""
    monkeypatch.setattr("fertkit.panels.show.Sheet", _Blank)
    monkeypatch.setattr("fertkit.panels.base.Panel.draw", lambda self: None)
    monkeypatch.setattr("fertkit.panels.leaf.LeafPanel.draw", lambda self: None)


@pytest.fixture
def handed_over():
    """Make the value of an upload button from a name and bytes."""

    def make(name, content):
        return (
            {
                "name": name,
                "type": "",
                "size": len(content),
                "content": memoryview(content),
                "last_modified": datetime(2026, 7, 21, tzinfo=UTC),
            },
        )

    return make
