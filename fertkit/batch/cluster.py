"""The same parts on a Dask cluster: only their paths travel; a part whose worker is lost is done again."""

import logging
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager

from fertkit.asked import a_count, asks
from fertkit.batch.parts import Part
from fertkit.errors import FertkitError, InputError, Problem, shorten

_LOSSES = 3  # workers that may be lost over one part before it is given up
_PATIENCE = "10s"  # for a scheduler to answer
_AGAIN = "The same command goes on where it ended"


@asks(workers=a_count(1))
@contextmanager
def local_cluster(workers: int = 2, memory_limit: str = "2GB"):
    """Start workers on this machine, on the loopback address and without a page of their own.

    Parameters
    ----------
    workers : int
        Processes, each of one thread.
    memory_limit : str
        Memory of each worker, e.g. ``2GB``; a worker that goes beyond is ended and its part done again.

    Yields
    ------
    dask.distributed.Client

    Raises
    ------
    InputError
        If the extra ``cluster`` is not installed.
    """
    dask, distributed = _dask()
    quiet = {
        "distributed.scheduler.http.routes": [],
        "distributed.worker.http.routes": [],
        "distributed.scheduler.allowed-failures": _LOSSES,
    }
    with (
        dask.config.set(quiet),
        distributed.LocalCluster(
            n_workers=workers, threads_per_worker=1, processes=True, host="127.0.0.1",
            dashboard_address="127.0.0.1:0", worker_dashboard_address="127.0.0.1:0",
            memory_limit=memory_limit, scheduler_kwargs={"dashboard": False}, silence_logs=50,
        ) as cluster,
        distributed.Client(cluster) as client,
    ):  # fmt: skip
        yield client


@contextmanager
def connected(address: str):
    """Connect to a scheduler that runs already, e.g. ``tcp://127.0.0.1:8786``.

    Its workers need the same version of fertkit and must see the input and the output folder under the same
    paths.
    """
    _, distributed = _dask()
    with _hushed():
        try:
            client = distributed.Client(address, timeout=_PATIENCE)
        except (OSError, ValueError):
            what = f"no scheduler answers at {shorten(address)}; an address is like tcp://127.0.0.1:8786"
            raise FertkitError(f"{what}. {_AGAIN}") from None
        with client:
            yield client


def work_on(client, work: Callable[[Part], object], parts: list[Part]) -> Iterator[object]:
    """Work all parts on a cluster; give what each tells as it ends, in whatever order.

    Raises
    ------
    FertkitError
        If the scheduler is lost; at the end, if parts were given up because their workers were lost again
        and again.
    """
    _, distributed = _dask()
    futures = client.map(work, parts, pure=False)
    lost = []
    for future in distributed.as_completed(futures):
        try:
            yield future.result()
        except distributed.scheduler.KilledWorker:
            lost.append(parts[futures.index(future)].number)
        except CancelledError:
            raise FertkitError(f"the scheduler was lost; finished parts are kept. {_AGAIN}") from None
        future.release()
    if lost:
        raise FertkitError(
            f"parts {', '.join(map(str, lost))} were given up: their workers were lost {_LOSSES} times each, "
            "perhaps for want of memory. Give workers more memory or make parts smaller; the others are kept"
        )


@contextmanager
def _hushed():
    """Keep the log of a cluster off the terminal: what a person can do about it is said in an error."""
    families = ("distributed", "tornado", "asyncio")
    loggers = [logging.getLogger(name) for name in (*logging.root.manager.loggerDict, *families)
               if name.partition(".")[0] in families]  # fmt: skip
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _dask():
    try:
        import dask
        import distributed
    except ImportError:
        remedy = "install it with: pip install 'fertkit[cluster]'"
        raise InputError("cluster", [Problem("a cluster needs one more package", remedy)]) from None
    return dask, distributed
