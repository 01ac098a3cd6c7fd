"""A batch that is stopped, however rudely, goes on where it ended, and only with the same question."""

import json
import os
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest

from fertkit.batch import run_batch
from fertkit.errors import FertkitError

RUN = """
import sys, time
from fertkit.batch import run, run_batch
whole = run.Work.__call__
def slowly(self, part):
    out = whole(self, part)
    time.sleep(0.3)
    return out
run.Work.__call__ = slowly
run_batch(sys.argv[1], sys.argv[2], price_ratio=0.008, part_size=2, progress=False)
"""


def batch(source, out, **options):
    return run_batch(source, out, **({"price_ratio": 0.008, "part_size": 2, "progress": False} | options))


@pytest.fixture(scope="module")
def source(many_trials, tmp_path_factory):
    file = tmp_path_factory.mktemp("resume") / "trials.csv"
    many_trials(12).to_csv(file, index=False)
    return file


@pytest.fixture(scope="module")
def finished(source):
    return batch(source, source.parent / "whole")


def parts_in(out):
    return sorted(p for p in (out / "parts").glob("part-*")) if (out / "parts").exists() else []


def test_killed_and_resumed(source, finished, tmp_path):
    out = tmp_path / "out"
    process = subprocess.Popen([sys.executable, "-c", RUN, source, out])
    until = time.monotonic() + 60
    while len(parts_in(out)) < 2 and process.poll() is None and time.monotonic() < until:
        time.sleep(0.02)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    done = {p: p.stat().st_mtime_ns for p in parts_in(out)}
    assert 2 <= len(done) < 6
    result = batch(source, out)
    pd.testing.assert_frame_equal(result.table, finished.table, check_exact=True)
    assert len(parts_in(out)) == 6
    assert {p: p.stat().st_mtime_ns for p in done} == done
    assert not (out / "input").exists()


def test_a_lost_part_alone_is_done_again(source, finished):
    parts = parts_in(finished.parts.parent)
    before = {p: p.stat().st_mtime_ns for p in parts}
    parts[3].unlink()
    again = batch(source, finished.parts.parent)
    pd.testing.assert_frame_equal(again.table, finished.table, check_exact=True)
    assert [p for p in parts if p.stat().st_mtime_ns != before[p]] == [parts[3]]


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"price_ratio": 0.009}, "the price ratio differs: 0.008 before, 0.009 now"),
        ({"level": 0.9}, "level differs: 0.95 before, 0.9 now"),
        ({"seed": 3}, "seed differs"),
        ({"part_size": 3}, "the size of a part differs"),
        ({"block": "block"}, "block differs: None before, block now"),
    ],
)
def test_another_question_is_refused(source, finished, options, told):
    with pytest.raises(FertkitError, match=told):
        batch(source, finished.parts.parent, **options)


def test_another_input_is_refused(finished, many_trials, tmp_path):
    file = tmp_path / "trials.csv"
    many_trials(12, seed=2).to_csv(file, index=False)
    with pytest.raises(FertkitError, match="the content of the input differs"):
        batch(file, finished.parts.parent)


def test_another_version_is_refused(source, tmp_path):
    out = tmp_path / "out"
    batch(source, out)
    record = json.loads((out / "run.json").read_text())
    (out / "run.json").write_text(json.dumps(record | {"version": "0.0.1"}))
    with pytest.raises(FertkitError, match="the version of fertkit differs"):
        batch(source, out)


@pytest.mark.parametrize("left", ["no json", None])
def test_a_folder_without_a_sound_record_is_left_alone(source, tmp_path, left):
    (tmp_path / "parts").mkdir()
    if left:
        (tmp_path / "run.json").write_text(left)
    with pytest.raises(FertkitError, match="record"):
        batch(source, tmp_path)


def test_a_failed_write_leaves_no_trace(tmp_path):
    from fertkit.batch.store import drafted

    file = tmp_path / "table.csv"
    file.write_text("old")

    def fail():
        with drafted(file) as draft:
            draft.write_text("half")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail()
    assert file.read_text() == "old"
    assert list(tmp_path.iterdir()) == [file]
