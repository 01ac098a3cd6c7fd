"""A batch that is stopped, however rudely, goes on where it ended, and only with the same question."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest

from fertkit.batch import run_batch
from fertkit.batch.record import LIST, LOCK, entered, held
from fertkit.errors import FertkitError

RUN = """
import sys, time
from fertkit.batch import run, run_batch
whole = run.work_part
def slowly(settings, part):
    out = whole(settings, part)
    time.sleep(0.3)
    return out
run.work_part = slowly
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


@pytest.fixture
def out(finished, tmp_path):
    """A folder of a finished run, to be harmed."""
    return Path(shutil.copytree(finished.parts.parent, tmp_path / "out"))


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
    listed = entered(out)  # the last one may have been written and not entered
    assert len(done) - 1 <= len(listed) <= len(done) < 6
    assert (out / LOCK).read_text().startswith(f"process {process.pid} on ")
    result = batch(source, out)
    assert not (out / LOCK).exists()
    pd.testing.assert_frame_equal(result.table, finished.table, check_exact=True)
    assert len(parts_in(out)) == 6
    assert all(p.stat().st_mtime_ns == then for p, then in done.items() if p.name in listed)
    assert not (out / "input").exists()


def test_a_lost_part_alone_is_done_again(source, finished, out):
    parts = parts_in(out)
    before = {p: p.stat().st_mtime_ns for p in parts}
    parts[3].unlink()
    again = batch(source, out)
    pd.testing.assert_frame_equal(again.table, finished.table, check_exact=True)
    assert [p for p in parts if p.stat().st_mtime_ns != before[p]] == [parts[3]]
    assert f"Note: part file {parts[3].name} was gone: its work was done again." in again.summary()


def cut_short(parts):
    parts[1].write_bytes(parts[1].read_bytes()[:-40])
    return parts[1:2]


def emptied(parts):
    parts[1].write_bytes(b"")
    return parts[1:2]


def edited(parts):
    parts[2].write_bytes(parts[2].read_bytes().replace(b"T00", b"T90", 1))
    return parts[2:3]


def swapped(parts):
    first, second = (part.read_bytes() for part in parts[:2])
    parts[0].write_bytes(second)
    parts[1].write_bytes(first)
    return parts[:2]


def unlisted(parts):
    (parts[0].parent.parent / LIST).unlink()
    return parts


def list_torn(parts):
    file = parts[0].parent.parent / LIST
    file.write_bytes(file.read_bytes()[:-5])
    return parts[-1:]


@pytest.mark.parametrize("harm", [cut_short, emptied, edited, swapped, unlisted, list_torn])
def test_a_part_that_is_not_as_it_was_written_is_worked_again(source, finished, out, harm):
    parts = parts_in(out)
    before = {p: p.read_bytes() for p in parts}
    times = {p: p.stat().st_mtime_ns for p in parts}
    harmed = harm(parts)
    again = batch(source, out)
    pd.testing.assert_frame_equal(again.table, finished.table, check_exact=True)
    assert {p: p.read_bytes() for p in parts} == before
    assert set(harmed) <= {p for p in parts if p.stat().st_mtime_ns != times[p]}
    told = [p for p in parts if f"{p.name} is not as it was written" in again.summary()]
    assert told == ([] if harm in (unlisted, list_torn) else harmed)


def test_the_list_of_finished_parts_is_one_that_others_can_check(source, finished, out):
    done = subprocess.run(["sha256sum", "-c", LIST], cwd=out, capture_output=True, text=True, check=True)
    assert done.stdout.count(": OK") == 6


def test_a_file_that_is_no_part_is_not_counted(source, finished, out):
    parts = parts_in(out)
    parts[0].with_name(f"part-99999{parts[0].suffix}").write_bytes(parts[0].read_bytes())
    pd.testing.assert_frame_equal(batch(source, out).table, finished.table, check_exact=True)


@pytest.mark.parametrize("change", [{"parts": 4}, {"parts": 9}, {"parts": "many"}, {"price_units": None}])
def test_a_record_that_was_changed_is_refused(source, out, change):
    record = json.loads((out / "run.json").read_text())
    (out / "run.json").write_text(json.dumps(record | change))
    with pytest.raises(FertkitError, match="empty the folder"):
        batch(source, out)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"price_ratio": 0.009}, "the price ratio differs: 0.008 before, 0.009 now"),
        ({"level": 0.9}, "level differs: 0.95 before, 0.9 now"),
        ({"seed": 3}, "seed differs"),
        ({"part_size": 3}, "the size of a part differs"),
        ({"blocks": "block"}, "blocks differs: None before, block now"),
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


def test_another_version_is_refused(source, out):
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
    from fertkit.writing import drafted

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


# ---- two runs at once


def test_a_second_run_is_refused_and_the_first_unharmed(source, finished, tmp_path):
    out = tmp_path / "out"
    with subprocess.Popen([sys.executable, "-c", RUN, source, out]) as process:
        until = time.monotonic() + 60
        while not parts_in(out) and process.poll() is None and time.monotonic() < until:
            time.sleep(0.02)
        told = rf"another run: process {process.pid} on \S+, started 20.*Wait.*or use another folder"
        with pytest.raises(FertkitError, match=told):
            batch(source, out)
    assert process.returncode == 0
    assert not (out / LOCK).exists()
    pd.testing.assert_frame_equal(batch(source, out).table, finished.table, check_exact=True)


HOLD = """
import sys
from pathlib import Path
from fertkit.batch.record import held
with held(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def other(tmp_path):
    """Another process that holds the folder until the test ends it."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, tmp_path / "out"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout.readline() == "held\n"
        yield process
        process.stdin.close()


@pytest.mark.parametrize("says", [None, "nothing that can be told", "\x1b[31m" + "n" * 400])
def test_a_run_that_is_alive_is_not_taken_over(source, tmp_path, other, says):
    lock = tmp_path / "out" / LOCK
    if says is not None:
        lock.write_text(says)
    was = lock.read_text()
    for _ in range(2):
        with pytest.raises(FertkitError, match=r"another run: .*Wait for it to end") as told:
            batch(source, tmp_path / "out")
        assert "\x1b" not in str(told.value)
    assert lock.read_text() == was
    assert [p.name for p in lock.parent.iterdir()] == [LOCK]


def test_what_a_dead_run_left_is_taken_over(source, finished, tmp_path, other):
    other.kill()
    other.wait()
    out = tmp_path / "out"
    assert (out / LOCK).read_text().startswith(f"process {other.pid} on ")
    pd.testing.assert_frame_equal(batch(source, out).table, finished.table, check_exact=True)
    assert not (out / LOCK).exists()


@pytest.mark.parametrize("left", ["", "no run", "process {own} on here, started today"])
def test_a_lock_file_alone_holds_nothing(tmp_path, left):
    """Whatever it says: the number it names may have been given to another process since."""
    (tmp_path / LOCK).write_text(left.format(own=os.getpid()))
    with held(tmp_path):
        pass
    assert not list(tmp_path.iterdir())


def test_one_of_many_alone_takes_over(tmp_path, other):
    other.kill()
    other.wait()
    out, inside, most = tmp_path / "out", [], []

    def enter(_):
        try:
            with held(out):
                inside.append(1)
                most.append(len(inside))
                time.sleep(0.002)
                inside.pop()
        except FertkitError:
            return

    with ThreadPoolExecutor(16) as pool:
        list(pool.map(enter, range(200)))
    assert set(most) == {1}
    assert not list(out.iterdir())
