"""A file is written whole or not at all."""

import os

import pytest

from fertkit.writing import write_whole


def test_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    target = tmp_path / "field.html"
    write_whole("old", target)
    monkeypatch.setattr(os, "replace", lambda *_: (_ for _ in ()).throw(OSError("disk full")))
    with pytest.raises(OSError, match="disk full"):
        write_whole("new", target)
    assert target.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["field.html"]


def test_bytes_are_written_as_they_are(tmp_path):
    target = write_whole(b"PK\x03\x04\r\n\xff", tmp_path / "book.xlsx")
    assert target.read_bytes() == b"PK\x03\x04\r\n\xff"
