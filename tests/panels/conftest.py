"""Shared by the panel tests: a file as the browser hands it over, and the watch over swallowed errors."""

from datetime import UTC, datetime

import pytest


@pytest.fixture(autouse=True)
def _no_swallowed_errors(caplog):
    """Fail a test in which a callback failed: outside a notebook ipywidgets only logs such errors."""
    yield
    assert "Exception in" not in caplog.text


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
