"""Nothing of a user's text is run, shown as markup or sent anywhere; a killed write leaves the old file."""

import ast
import signal
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest

from fertkit.cli import main
from fertkit.errors import InputError, Problem, harmless
from fertkit.intake import read_strips, read_tissue
from fertkit.report import Section, render_page

HOUSE = Path(__file__).parent.parent.parent / "fertkit"
EVIL = '<script>alert(1)</script><img src=x onerror="alert(1)">'
STEERING = "A\x1b[31m\x07\x9b2J\u202e\u2066B"
LEAF = (
    "Sample,Crop,Stage,Plant part,K (%)\n{id},soybean,R2,upper trifoliate leaf,1.3\n"
    "B,soybean,R2,upper trifoliate leaf,2\n"
)
STRIPS = "Trial,Block,Rate (lb/ac),Yield (bu/ac)\n" + "".join(
    f"{{id}},{block},{rate},{50 + rate / 20 - rate**2 / 4000 + block}\n"
    for block in (1, 2, 3)
    for rate in (0, 40, 80, 120)
)


class Elements(HTMLParser):
    """Tags and attributes of a page as a browser would find them."""

    def __init__(self, html):
        super().__init__()
        self.tags, self.handlers, self.addresses = set(), set(), []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.handlers |= {name for name, _ in attrs if name.startswith("on")}
        self.addresses += [value for name, value in attrs if name in ("src", "href")]


def assert_inert(html):
    found = Elements(html)
    assert "script" not in found.tags
    assert not found.handlers
    assert "x" not in found.addresses
    assert "alert(1)" in html


def quoted(text):
    return '"' + text.replace('"', '""') + '"'


def test_notebook_shows_markup_as_text():
    samples = read_tissue(LEAF.format(id=quoted(EVIL)).encode())
    assert_inert(samples._repr_html_())
    assert EVIL in samples.table["sample_id"].tolist()


def test_page_shows_markup_as_text():
    section = Section(EVIL, (EVIL,), do=(EVIL,), leave=(EVIL,), cautions=(EVIL,))
    assert_inert(render_page(EVIL, [section], lead=[EVIL]))


def test_panels_show_markup_as_text():
    show = pytest.importorskip("fertkit.panels.show")
    error = InputError(EVIL, [Problem(EVIL, EVIL, 1, EVIL, EVIL)])
    for html in (
        show.paragraphs(EVIL), show.bullets([EVIL]), show.said(EVIL), show.banner(error, EVIL),
        show.table(pd.DataFrame({EVIL: [EVIL]})), show.banner(ValueError(EVIL), EVIL),
    ):  # fmt: skip
        assert_inert(html)


def test_a_panel_shows_the_ids_of_a_file_as_text():
    pytest.importorskip("ipywidgets")
    from fertkit.panels import LeafPanel

    panel = LeafPanel()
    panel.take_file(EVIL, LEAF.format(id=quoted(EVIL)).encode())
    assert panel.error is None
    values = [piece.value for piece in vars(panel).values() if isinstance(getattr(piece, "value", None), str)]
    assert any("alert(1)" in value for value in values)
    for value in values:
        found = Elements(value)
        assert "script" not in found.tags
        assert not found.handlers


@pytest.mark.parametrize("make", [LEAF.encode, lambda: LEAF.encode("utf-8-sig")])
def test_steering_characters_of_a_file_are_marked(make):
    data = make().replace(b"{id}", STEERING.encode())
    (shown,) = set(read_tissue(data).table["sample_id"]) - {"B"}
    assert shown == harmless(STEERING)
    assert shown.isprintable()
    assert shown.startswith("A\ufffd[31m")


@pytest.mark.parametrize("where", ["id", "name", "column"])
def test_the_terminal_gets_no_steering_characters(capsys, tmp_path, where):
    text = LEAF.format(id=STEERING if where == "id" else "A")
    if where == "column":
        text = text.replace("K (%)", f"K ({STEERING})")
    path = tmp_path / (f"{STEERING}.csv" if where == "name" else "leaf.csv")
    path.write_text(text, encoding="utf-8")
    main(["leaf", str(path)])
    main(["leaf", str(path), "--crop", STEERING])
    main(["sources", STEERING])
    printed = capsys.readouterr()
    assert "Traceback" not in printed.err
    for character in "\x1b\x07\x9b\u202e\u2066":
        assert character not in printed.out + printed.err


@pytest.mark.parametrize("name", ["../../outside", "/etc/passwd", "C:\\x", "..", "=cmd|x", "x" * 300])
def test_an_id_never_becomes_a_path(capsys, tmp_path, monkeypatch, name):
    inside = tmp_path / "inside"
    inside.mkdir()
    monkeypatch.chdir(inside)
    (inside / "strips.csv").write_text(STRIPS.format(id=quoted(name)), encoding="utf-8")
    assert read_strips("strips.csv").table["trial"].unique().size == 1
    prices = ["--nutrient-price", "0.4", "--grain-price", "10", "--table", "out.csv"]
    assert main(["strips", "strips.csv", *prices]) == 0
    assert {p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*")} == {
        "inside", "inside/strips.csv", "inside/out.csv",
    }  # fmt: skip


@pytest.mark.parametrize("moment", ["close", "chmod", "replace"])
def test_a_killed_write_leaves_the_old_file(tmp_path, moment):
    target = tmp_path / "field.html"
    target.write_text("old", encoding="utf-8")
    code = (
        "import os, signal, sys\nfrom fertkit.writing import write_whole\n"
        f"os.{moment} = lambda *_, **__: os.kill(os.getpid(), signal.SIGKILL)\n"
        "write_whole('new' * 100_000, sys.argv[1])"
    )
    done = subprocess.run([sys.executable, "-c", code, target], check=False)
    assert done.returncode == -signal.SIGKILL
    assert target.read_text(encoding="utf-8") == "old"
    assert len(list(tmp_path.glob("*.html"))) == 1


NO_NETWORK = """
import pkgutil, sys
from importlib import import_module
def watch(event, arguments):
    used = ("socket.connect", "socket.getaddrinfo", "socket.gethostby", "socket.sendto", "urllib.Request")
    if event.startswith(used):
        raise SystemExit(f"the network was used: {event} {arguments}")
sys.addaudithook(watch)
import fertkit
for module in pkgutil.walk_packages(fertkit.__path__, "fertkit."):
    if "__main__" not in module.name:
        import_module(module.name)
from fertkit.cli import main
for line in sys.argv[1:]:
    assert main(line.split()) == 0, line
"""


def test_no_network(demo, tmp_path):
    pytest.importorskip("ipywidgets")
    leaf, strips = demo("leaf_tests.csv"), demo("soybean_k_strips.csv")
    prices = "--nutrient-price 0.45 --grain-price 11"
    lines = [
        "needs soybean 80", "sources", f"leaf {leaf} --table scores.csv",
        f"strips {strips} --crop soybean {prices}",
        f"field --crop soybean --goal 60 --leaf {leaf} --strips {strips} {prices} --page field.html",
    ]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", NO_NETWORK, *lines], capture_output=True, text=True, check=False, cwd=tmp_path
    )
    assert done.returncode == 0, done.stderr[-2000:]
    html = (tmp_path / "field.html").read_text(encoding="utf-8")
    assert all(address.startswith(("data:", "#", "https://")) for address in Elements(html).addresses)
    assert not {"script", "iframe", "object", "embed"} & Elements(html).tags


FORBIDDEN_NAMES = {"eval", "exec", "compile", "__import__"}
FORBIDDEN_MODULES = {"pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve", "joblib", "yaml"}
FORBIDDEN_CALLS = {"eval", "query", "read_pickle", "to_pickle", "system", "popen", "literal_eval"}
#: Runs the cells of the notebooks that are served, as their pages do; no text of a user's file comes there.
RUNS_LESSONS = HOUSE / "panels" / "rehearsal.py"


def test_no_data_is_run():
    for path in HOUSE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            place = f"{path}:{getattr(node, 'lineno', '')}"
            if isinstance(node, ast.Import):
                assert not {alias.name.split(".")[0] for alias in node.names} & FORBIDDEN_MODULES, place
            elif isinstance(node, ast.ImportFrom):
                assert (node.module or "").split(".")[0] not in FORBIDDEN_MODULES, place
            elif isinstance(node, ast.Call):
                called = node.func
                if isinstance(called, ast.Name):
                    assert called.id not in FORBIDDEN_NAMES or path == RUNS_LESSONS, place
                elif isinstance(called, ast.Attribute):
                    owner = called.value.id if isinstance(called.value, ast.Name) else ""
                    if (owner, called.attr) != ("tree", "query"):  # a KD-tree asks numbers
                        assert called.attr not in FORBIDDEN_CALLS, place
                    assert (owner, called.attr) != ("builtins", "compile"), place
                for keyword in node.keywords:
                    value = getattr(keyword.value, "value", None)
                    assert not (keyword.arg in ("allow_pickle", "shell") and value), place
