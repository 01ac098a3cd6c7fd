"""The manual: every public function has its place, and every link of it leads somewhere."""

import posixpath
import re
from html import unescape
from urllib.parse import unquote, urldefrag

import pytest

import fertkit
from fertkit.cli import main
from fertkit.panels import manual


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Pages of the manual by their place below its folder."""
    folder = tmp_path_factory.mktemp("manual")
    assert manual.write_manual(folder).exists()
    return {str(path.relative_to(folder)): path.read_text("utf-8") for path in folder.rglob("*.html")}


def test_every_public_name_is_told(pages):
    for part in ("", *manual.PARTS):
        module = f"fertkit.{part}".rstrip(".")
        names = __import__(module, fromlist=["__all__"]).__all__
        text = pages[f"{module.replace('.', '/')}.html"]
        own = {name for name in names if f"{module.replace('.', '/')}/{name}.html" in pages}
        missing = [name for name in names if f'id="{name}"' not in text]
        assert not set(missing) - own - {"__version__"}, module
    assert fertkit.analyse_response.__doc__.splitlines()[0] in unescape(pages["fertkit.html"])


def test_every_link_leads_somewhere(pages):
    for name, text in pages.items():
        for link in re.findall(r'<a[^>]* href="([^"]*)"', text):
            page, part = urldefrag(unescape(link))
            if re.match(r"https?:", page) or "${" in link:  # pdoc's own, and a pattern of its search
                continue
            target = name if not page else _beside(name, unquote(page))
            assert target in pages, (name, link)
            assert not part or f'id="{part}"' in pages[target], (name, link)


def _beside(name, page):
    return posixpath.normpath(posixpath.join(posixpath.dirname(name), page))


def test_the_command_says_where_it_is(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(manual, "write_manual", lambda folder: tmp_path / "fertkit.html")
    opened = []
    monkeypatch.setattr(manual.webbrowser, "open", opened.append)
    assert main(["open", "--manual"]) == 0
    assert opened[0].endswith("fertkit.html")
    assert "Manual:" in capsys.readouterr().out
