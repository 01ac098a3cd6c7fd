"""Reference lists and BibTeX of sources: nothing of a citation is lost, nothing is guessed."""

import re

import pytest

from fertkit.cli import main
from fertkit.errors import InputError
from fertkit.reference import list_sources
from fertkit.reference.citation import bibtex, keys_of_answer, reference_list
from fertkit.reference.facts import load_sheet


def fields(key):
    return dict(re.findall(r"  (\w+) = \{(.*)\},", bibtex([key])))


def test_an_article_by_hand():
    """Authors, title, volume and pages parted by eye."""
    held = fields("PATTERSON1971")
    assert bibtex(["PATTERSON1971"]).startswith("@article{PATTERSON1971,\n")
    assert held["author"] == "Patterson, H. D. and Thompson, R."
    assert (held["journal"], held["volume"], held["pages"], held["year"]) == (
        "Biometrika",
        "58",
        "545--554",
        "1971",
    )
    assert held["title"] == "{Recovery of inter-block information when block sizes are unequal}"
    assert held["annote"] == "from memory"


def test_every_article_holds_all_of_its_citation_and_braces_close():
    """Put together again, the fields of an article are its citation; all others keep it whole."""
    for row in list_sources().itertuples():
        entry, held = bibtex([row.source_key]), fields(row.source_key)
        assert entry.count("{") - entry.count(r"\{") == entry.count("}") - entry.count(r"\}"), row.source_key
        bare = {name: re.sub(r"\\([&%$#_])", r"\1", text) for name, text in held.items()}
        if entry.startswith("@misc"):
            assert re.sub(r"[{}\\]", "", held["note"]) == re.sub(r"[{}\\]", "", row.citation), row.source_key
            continue
        number = f"({bare['number']})" if "number" in bare else ""
        end = f"{bare['journal']} {bare['volume']}{number}:{bare['pages'].replace('--', '-')}"
        whole = f". {bare['year']}. {bare['title'].strip('{}')}. {end}"
        assert row.citation.rstrip(".").endswith(whole), row.source_key
        names = re.sub(r"[., {}]|and", "", row.citation.removesuffix(".").removesuffix(whole))
        assert re.sub(r"[., {}]|and", "", bare["author"]) == names, row.source_key


def test_the_methods_in_journals_are_articles():
    """Of the methods only books and a bulletin are no articles."""
    keys = {key for text in load_sheet("methods")["source_keys"] for key in text.split(";")}
    other = {key for key in keys if bibtex([key]).startswith("@misc")}
    books = {
        "ATKINSON2007",
        "BATES1988",
        "BURNHAM2002",
        "COCHRAN1957",
        "EFRON1993",
        "FISHER1935",
        "GOMEZ1984",
        "RAIFFA1961",
    }
    assert other == books | {"PINHEIRO2000", "HEADY1955"}


def test_a_reference_list_says_how_each_was_obtained():
    first, second = reference_list(["HOLM1979", "BACHMAIER2009"])
    assert first.endswith("Scandinavian Journal of Statistics 6:65-70. [from memory]")
    assert second.endswith("50:649-660. https://doi.org/10.1007/s00362-007-0104-1")


def test_sources_are_cited_by_key_or_for_a_page(capsys, tmp_path):
    page = tmp_path / "page.html"
    page.write_text("<dl><dt>HOLM1979</dt><dd>...</dd><dt>OWN_TABLE</dt></dl>", encoding="utf-8")
    assert main(["sources", "--cite", "--of", str(page)]) == 0
    assert capsys.readouterr().out.startswith("1. Holm S. 1979. A simple sequentially rejective")
    assert main(["sources", "holm1979", "--cite", "bibtex"]) == 0
    assert capsys.readouterr().out.startswith("@article{HOLM1979,")
    page.write_text("nothing", encoding="utf-8")
    with pytest.raises(InputError, match="no sources are named"):
        keys_of_answer(page)
