"""A file is written whole or not at all."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from fertkit.batch.parts import read_frame, write_frames
from fertkit.writing import drafted, named, write_whole


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


@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX")
@pytest.mark.parametrize(("umask", "mode"), [(0o022, 0o644), (0o077, 0o600), (0o002, 0o664)])
def test_a_new_file_gets_the_mode_the_umask_leaves(tmp_path, umask, mode):
    """POSIX, open(2): the mode of a new file is 0666 less the umask."""
    before = os.umask(umask)
    try:
        target = write_whole("a page", tmp_path / "page.html")
    finally:
        os.umask(before)
    assert stat.S_IMODE(target.stat().st_mode) == mode


@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX")
@pytest.mark.parametrize("mode", [0o600, 0o640, 0o666, 0o444])
def test_a_file_replaced_keeps_its_mode(tmp_path, mode):
    target = write_whole("old", tmp_path / "page.html")
    target.chmod(mode)
    write_whole("new", target)
    assert target.read_text() == "new"
    assert stat.S_IMODE(target.stat().st_mode) == mode


@pytest.mark.skipif(os.name == "nt", reason="links of POSIX")
@pytest.mark.parametrize("there", [True, False])
def test_a_link_stays_a_link_and_its_file_is_written(tmp_path, there):
    (tmp_path / "far").mkdir()
    held, link = tmp_path / "far" / "held.html", tmp_path / "page.html"
    if there:
        held.write_text("old")
    link.symlink_to(held)
    write_whole("new", link)
    assert link.is_symlink()
    assert held.read_text() == "new"
    assert [p.name for p in (tmp_path / "far").iterdir()] == ["held.html"]


@pytest.mark.skipif(not Path("/dev/null").exists(), reason="needs a device")
def test_a_device_is_written_to_and_stays_one():
    write_whole("gone", "/dev/null")
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_a_draft_is_on_the_disk_before_it_takes_the_place(tmp_path, monkeypatch):
    done = []
    for name in ("fsync", "replace"):
        real = getattr(os, name)
        monkeypatch.setattr(os, name, lambda *a, real=real, name=name: (done.append(name), real(*a))[1])
    write_whole("a page", tmp_path / "page.html")
    assert done[:2] == ["fsync", "replace"]


def test_a_folder_that_is_not_there_is_told_by_the_name_of_the_file(tmp_path):
    target = tmp_path / "nowhere" / "page.html"
    with pytest.raises(FileNotFoundError) as found:
        write_whole("a page", target)
    assert found.value.filename == str(target)


def test_an_error_of_another_file_keeps_its_name(tmp_path):
    with pytest.raises(FileNotFoundError) as found, drafted(tmp_path / "page.html"):
        (tmp_path / "another").read_text()
    assert found.value.filename == str(tmp_path / "another")
    assert not list(tmp_path.iterdir())


LITTLE = """
import resource, sys
import pandas as pd
from fertkit.batch.parts import write_frame
from fertkit.writing import write_whole
resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
from pathlib import Path
path = Path(sys.argv[1])
try:
    if path.suffix == ".html":
        write_whole("x" * 9000, path)
    else:
        write_frame(pd.DataFrame({"a": range(9000)}), path)
except OSError as error:
    print(error.filename)
"""


@pytest.mark.parametrize("name", ["table.csv", "table.parquet"])
def test_tables_written_in_parts_are_one(tmp_path, name):
    if name.endswith("parquet"):
        pytest.importorskip("pyarrow")
    table = pd.DataFrame({"field": ["Heron", "Otter", "Ä, b"], "k_pct": [1.5, 2.25, 0.1]})
    write_frames([table[:0].astype({"field": object}), table[:1], table[:0], table[1:]], tmp_path / name)
    back = read_frame(tmp_path / name).astype({"k_pct": float})
    pd.testing.assert_frame_equal(back, table, check_dtype=False)


@pytest.mark.skipif(os.name == "nt", reason="limits of POSIX")
@pytest.mark.parametrize("name", ["page.html", "table.csv", "table.parquet"])
def test_a_disk_that_takes_no_more_is_told_by_the_name_of_the_file(tmp_path, name):
    if name.endswith("parquet"):
        pytest.importorskip("pyarrow")
    target = tmp_path / name
    told = subprocess.run([sys.executable, "-c", LITTLE, target], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == str(target)
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("to_page", [True, False])
def test_a_full_disk_is_one_line_on_the_command_line(to_page, demo):
    command = [sys.executable, "-W", "error", "-m", "fertkit.cli"]
    command += (
        ["strips", str(demo("soybean_k_strips.csv")), "--crop", "soybean", "--nutrient-price", "0.45",
         "--grain-price", "11", "--trial", "Heron Quarter K", "--page", "/dev/full"]
        if to_page else ["words"]
    )  # fmt: skip
    with open("/dev/full" if not to_page else os.devnull, "w") as out:
        told = subprocess.run(command, stdout=out, stderr=subprocess.PIPE, text=True, check=False)
    name = "/dev/full" if to_page else "what is printed"
    assert (told.returncode, told.stderr) == (2, f"fertkit: {name}: No space left on device\n")


def test_a_page_without_an_ending_gets_one(tmp_path):
    assert named(tmp_path / "hist", ".html").name == "hist.html"
    assert named("a/field.htm", ".html").name == "field.htm"
