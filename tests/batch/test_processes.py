"""The same parts in processes of this machine: the same digits, whatever becomes of one of them."""

import os
import signal
import subprocess
import sys
import time
from multiprocessing import active_children
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import psutil
import pytest

from fertkit.batch import run, run_batch
from fertkit.batch.parts import Part
from fertkit.errors import FertkitError

PRICES = {"nutrient_price": 0.8, "grain_price": 100}


def batch(source, out, **options):
    return run_batch(source, out, **PRICES, **({"part_size": 3, "progress": False} | options))


@pytest.fixture(scope="module")
def source(many_trials, tmp_path_factory):
    file = tmp_path_factory.mktemp("processes") / "trials.csv"
    many_trials(24).to_csv(file, index=False)
    return file


@pytest.fixture(scope="module")
def alone(source):
    return batch(source, source.parent / "alone", workers=1).table


def test_a_killed_process_loses_nothing_and_none_listens_or_speaks(
    source, alone, tmp_path, monkeypatch, capfd
):
    killed, listening = [], []

    def kill_one(*_):
        if not killed:
            killed.extend(child.pid for child in active_children()[:1])
            listening.extend(
                c
                for p in psutil.Process().children(recursive=True)
                for c in p.net_connections()
                if c.status == "LISTEN"
            )
            os.kill(killed[0], signal.SIGKILL)

    monkeypatch.setattr("tqdm.std.tqdm.update", kill_one)
    result = batch(source, tmp_path / "out", workers=2)
    assert killed
    assert not listening
    assert not active_children()
    pd.testing.assert_frame_equal(result.table, alone, check_exact=True)
    assert capfd.readouterr().err == ""


SCRIPT = """
from threading import Event, Thread
from fertkit.batch import run_batch
print("once")
Thread(target=Event().wait, daemon=True).start()
found = run_batch({source!r}, {out!r}, price_ratio=0.008, part_size=3, workers=2, progress=False)
print(len(found.table))
"""


def test_a_script_needs_no_guard(many_trials, tmp_path):
    """A process beside other threads is not copied; one that starts does not run the script again."""
    source = tmp_path / "trials.csv"
    many_trials(6).to_csv(source, index=False)
    script = tmp_path / "script.py"
    script.write_text(SCRIPT.format(source=str(source), out=str(tmp_path / "out")))
    done = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr, done.returncode) == ("once\n6\n", "", 0)


#: The command, its later parts held up until it is stopped; the processes are copies of this one.
STOPPED = """
import sys, time
from fertkit.batch import run
from fertkit.cli import command
whole = run.work_part
def work_part(settings, part):
    while part.target.name > "part-00002":
        time.sleep(1)
    return whole(settings, part)
work_part.__module__ = run.__name__
run.work_part = work_part
sys.argv[1:] = ["batch", "trials", *sys.argv[1:], "--part-size", "3", "--workers", "2", "--quiet",
                "--nutrient-price", "0.8", "--grain-price", "100"]
command()
"""


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere processes are no copies")
@pytest.mark.parametrize("sent", [signal.SIGINT, signal.SIGKILL])
def test_a_run_that_is_stopped_takes_its_processes_with_it(source, alone, tmp_path, sent):
    """Ctrl-C reaches the run and its processes alike; a run that is killed can tell them nothing."""
    out = tmp_path / "out"
    with subprocess.Popen(
        [sys.executable, "-c", STOPPED, source, "--out", out],
        stderr=subprocess.PIPE, text=True, start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # in the background it is ignored
    ) as process:  # fmt: skip
        until = time.monotonic() + 120
        while not list((out / "parts").glob("part-*")) and time.monotonic() < until:
            time.sleep(0.01)
        started = psutil.Process(process.pid).children(recursive=True)
        assert len(started) >= 2
        (os.killpg if sent == signal.SIGINT else os.kill)(process.pid, sent)
        told = process.stderr.read()
    assert not psutil.wait_procs(started, timeout=20)[1]
    if sent == signal.SIGINT:
        assert (process.returncode, told) == (
            130,
            "fertkit: stopped; run the same command to resume\n",
        )
    assert 0 < len(list((out / "parts").glob("part-*"))) < 8
    found = batch(source, out).table
    pd.testing.assert_frame_equal(found, alone, check_exact=True)


def test_what_kills_every_process_is_given_up_and_the_others_are_done(tmp_path, monkeypatch):
    (tmp_path / "killing.py").write_text(
        "import os\ndef work(part):\n    return os._exit(1) if part.files else (part.target.name, '')\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    import killing

    parts = [Part(files, True, Path(f"part-{i}.csv")) for i, files in enumerate(((), ("bad",), ()))]
    done = []
    with pytest.raises(FertkitError, match=r"^part-1 were given up.*the other parts are kept"):
        done.extend(run.in_processes(2, killing.work, parts))
    assert not active_children()


def test_an_error_in_a_process_is_that_of_the_run(source, tmp_path):
    with pytest.raises(ZeroDivisionError):
        list(run.in_processes(2, (1).__floordiv__, [0, 0]))
    assert not active_children()


@pytest.mark.parametrize(
    ("parts", "size", "tidy", "cores", "processes"),
    [
        (1, 200, True, 8, 1),  # a small batch is done before another process has started
        (40, 3, True, 8, 1),  # as is one of many small parts
        (9, 200, True, 8, 4),
        (400, 200, True, 8, 8),
        (400, 200, True, 1, 1),
        (400, 200, True, 100, 61),  # the most Windows can wait for
        (9, 3, False, 8, 4),  # files of unknown size
    ],
)
def test_processes_where_they_pay(monkeypatch, parts, size, tidy, cores, processes):
    monkeypatch.setattr(run, "_cores", lambda: cores)
    settings = SimpleNamespace(part_size=size, how=SimpleNamespace(SIZE=200))
    assert run.worth(settings, [Part((), tidy, Path("a"))] * parts) == processes


@pytest.mark.parametrize("workers", [0, -1, 1.5])
def test_processes_that_cannot_be(source, tmp_path, workers):
    with pytest.raises(FertkitError, match="workers"):
        batch(source, tmp_path / "out", workers=workers)
    assert not (tmp_path / "out").exists()
