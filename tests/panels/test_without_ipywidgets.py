"""Without ipywidgets the rest works, and the message names what to install."""

import subprocess
import sys

HIDE = "import sys; sys.modules['ipywidgets'] = None; "


def run(code):
    return subprocess.run([sys.executable, "-c", HIDE + code], capture_output=True, text=True, check=False)


def test_the_message_names_the_remedy():
    done = run("import fertkit.panels; fertkit.panels.LeafPanel")
    assert "pip install 'fertkit[notebook]'" in done.stderr


def test_serving_needs_no_ipywidgets():
    assert run("import fertkit.panels.serve").returncode == 0
