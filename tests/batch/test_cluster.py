"""The same parts on a cluster: the same digits, whatever becomes of a worker."""

import os
import signal
import subprocess
import sys

import pandas as pd
import pytest

from fertkit.batch import run_batch
from fertkit.errors import FertkitError


def batch(source, out, **options):
    return run_batch(source, out, **({"price_ratio": 0.008, "part_size": 3, "progress": False} | options))


@pytest.fixture(scope="module")
def source(many_trials, tmp_path_factory):
    file = tmp_path_factory.mktemp("cluster") / "trials.parquet"
    many_trials(24).to_parquet(file, index=False)
    return file


@pytest.fixture(scope="module")
def local(source):
    return batch(source, source.parent / "local").table


@pytest.fixture
def client():
    """Two workers on the loopback address, without pages of their own."""
    dask, distributed = map(pytest.importorskip, ("dask", "distributed"))  # seconds that only this file needs
    with (
        dask.config.set(
            {"distributed.scheduler.http.routes": [], "distributed.worker.http.routes": []}
        ),
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", memory_limit="1GB",
            dashboard_address="127.0.0.1:0", worker_dashboard_address="127.0.0.1:0",
            scheduler_kwargs={"dashboard": False}, silence_logs=50,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):  # fmt: skip
        yield client


def test_a_killed_worker_loses_nothing(source, local, client, tmp_path, monkeypatch):
    killed = []

    def kill_one(*_):
        if not killed:
            killed.append(next(iter(client.run(os.getpid).values())))
            os.kill(killed[0], signal.SIGKILL)

    monkeypatch.setattr("tqdm.std.tqdm.update", kill_one)
    result = batch(source, tmp_path / "out", client=client)
    assert killed
    pd.testing.assert_frame_equal(result.table, local, check_exact=True)


def test_no_scheduler_is_said(source, tmp_path, monkeypatch):
    monkeypatch.setattr("fertkit.batch.run._PATIENCE", "1s")
    with pytest.raises(FertkitError, match="no scheduler answers"):
        batch(source, tmp_path / "out", client="tcp://127.0.0.1:9")


SCHEDULER = """
import time
from distributed import LocalCluster
with LocalCluster(n_workers=1, threads_per_worker=1, processes=False, protocol="tcp://", host="127.0.0.1",
                  silence_logs=50, dashboard_address="127.0.0.1:0", worker_dashboard_address="127.0.0.1:0",
                  scheduler_kwargs={"dashboard": False}) as cluster:
    print(cluster.scheduler_address, flush=True)
    time.sleep(300)
"""


def test_a_scheduler_that_dies_is_one_line_and_the_run_goes_on(source, local, tmp_path, monkeypatch, capfd):
    """Killed after its first part; the part is kept, the others are done without it."""
    dask = pytest.importorskip("dask")
    pytest.importorskip("distributed")
    scheduler = subprocess.Popen([sys.executable, "-c", SCHEDULER], stdout=subprocess.PIPE, text=True)
    monkeypatch.setattr("fertkit.batch.run._PATIENCE", "2s")
    try:
        address = scheduler.stdout.readline().strip()
        monkeypatch.setattr("tqdm.std.tqdm.update", lambda *_: scheduler.kill())
        with (
            dask.config.set({"distributed.comm.timeouts.connect": "2s"}),
            pytest.raises(FertkitError, match="lost the scheduler; finished parts are kept") as told,
        ):
            batch(source, tmp_path / "out", client=address)
    finally:
        scheduler.kill()
        scheduler.communicate()
    assert "Run the same command to resume" in str(told.value)
    monkeypatch.undo()
    assert list((tmp_path / "out" / "parts").iterdir())
    result = batch(source, tmp_path / "out")
    pd.testing.assert_frame_equal(result.table, local, check_exact=True)
    assert capfd.readouterr().err == ""
