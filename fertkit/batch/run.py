"""Run a batch: cut the input into parts, work those not done yet, join what came out."""

import json
import logging
import os
import shutil
import signal
import sys
import warnings
from concurrent.futures import CancelledError, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, closing, contextmanager, suppress
from functools import partial
from multiprocessing import current_process, get_context
from pathlib import Path
from threading import RLock, Thread, active_count
from types import ModuleType

import pandas as pd

from fertkit import asked
from fertkit.batch import record
from fertkit.batch.parts import Part, ending, typed, write_frame
from fertkit.batch.results import BatchResult, gather
from fertkit.batch.sources import cut_rows, find_source, part_name
from fertkit.batch.trials import first_units
from fertkit.errors import FertkitError, InputError, Problem, installing, shorten
from fertkit.response.optimum import Status
from fertkit.writing import write_whole

_WORTH_IT = 2  # parts of the usual size that pay for starting one more process
_MOST_PROCESSES = 61  # that Windows can wait for
_LOSSES = 3  # times that workers may be lost over the same parts before these are given up
_PATIENCE = "10s"  # for a scheduler to answer
_WHERE = ("source", "out", "progress", "workers", "client")  # arguments that decide no number
_AGAIN = "Run the same command to resume"


@asked.asks(
    **dict.fromkeys(("source", "out", "ranges"), asked.a_path),
    **dict.fromkeys(("kind", "decimal"), asked.a_word),
    **dict.fromkeys(("part_size", "workers"), asked.a_count(1)),
    **dict.fromkeys(("nutrient_price", "grain_price", "price_ratio"), asked.amounts),
    **dict.fromkeys(("rate", "response", "blocks", "weight"), asked.a_header),
    **dict.fromkeys(("sheet", "analysis", "crop", "region"), asked.a_text),
    **dict.fromkeys(("policy", "caps"), asked.a_dict), spending_limit=asked.zero_or_more,
    **dict.fromkeys(("real_yields", "pages", "progress"), asked.a_flag),
    by=asked.headers, level=asked.a_share, columns=asked.headers_by_role, units=asked.words_by_name,
    density=asked.above_zero, source_keys=asked.a_list, seed=asked.a_count(0),
    client=asked.either(asked.a_word, asked.holding("map", "submit", like="a Client of dask.distributed")),
)  # fmt: skip
def run_batch(
    source, out, kind="trials", *, by=None, nutrient_price=None, grain_price=None, price_ratio=None,
    level=0.95, rate=None, response=None, blocks=None, weight=None, columns=None, units=None, sheet=None,
    analysis=None, density=None, real_yields=False, decimal=None, crop=None, ranges=None, source_keys=None,
    seed=0, region=None, policy=None, caps=None, spending_limit=None, part_size=None, pages=False,
    progress=True, workers=None, client=None,
) -> BatchResult:  # fmt: skip
    """Work many rate trials, tissue samples or farms: one table of results and a page that leads through it.

    A run that was stopped goes on where it ended when it is started again with the same words; a trial or
    sample that cannot be used becomes a row that says why. The numbers are the same to the last digit
    wherever the parts are worked; parts of another size or rows in another order move them by rounding alone.

    Parameters
    ----------
    source : path
        A folder of files as `fertkit.read_strips` or `fertkit.read_tissue` read them; or a data set: a
        Parquet file, a folder of Parquet files (sub-folders ``column=value`` give columns) or a CSV file with
        the columns of a tidy table (trials: trial, rate_<unit>, yield_<unit>, block, ...; samples: sample_id,
        crop, growth_stage, plant_part, nutrient, value). A data set is read in pieces and may be larger than
        memory; rows of one trial may lie apart.
    out : path
        Folder to write to: ``results.csv``, ``results.parquet`` (with pyarrow), ``index.html``, ``parts/``
        (the same rows as a partitioned data set), ``run.json``, the record of what was asked, and
        ``parts.sha256``, the part files that are finished: one that was lost or changed since is worked again
        and told. One run at a time writes to the folder (``run.lock`` says which).
    kind : {'trials', 'samples', 'farms'}
        Farms are workbooks with sheets of fields, soil, shed and passes, as `fertkit.intake.farm.read_farm`
        reads them, each planned as by `fertkit.plan_season`.
    by : str or list of str, optional
        Columns of a data set that tell trials apart; ``trial`` by default.
    nutrient_price, grain_price : float, optional
        Price per mass unit of the rate column and of the yield column; in a folder of files, of those of the
        first file (trials in other units are not usable with these prices); or instead of the two
    price_ratio : float, optional
        their ratio [yield unit per rate unit].
    level : float
        Confidence level of the intervals.
    rate, response, blocks, weight : str, optional
        Columns of a data set of trials, see `fertkit.response.read_trial_data`.
    columns : dict, optional
        Role → header in files of strips, where headers do not tell, as `fertkit.read_strips` takes it; in a
        data set for the roles trial, rate, yield and block.
    units, sheet, analysis, density : optional
        How files of strips are read where they do not say it, see `fertkit.read_strips`.
    real_yields : bool
        Zeros and very low yields of strip files were measured; by default such a trial is not usable, with
        the reason. A data set is taken as it stands.
    decimal : {'.', ','}, optional
        Decimal mark of a data set or of laboratory files, where they do not tell it: 5,2 can be read in one
        way only, 1,320 in two. Files of strips tell theirs.
    crop : str, optional
        Crop where the files do not say.
    ranges : path, optional
        Sufficiency ranges of the user's own.
    source_keys : str or list of str, optional
        Only these published ranges.
    seed : int
        Seed of the pages; each trial draws from it and its own name. Nothing in the table is drawn at random.
    region, policy, caps, spending_limit : optional
        Of farms, as for `fertkit.plan_season`; the limit is that of each farm.
    part_size : int, optional
        Trials or samples of a data set in a part; by default as many as take some seconds.
    pages : bool
        Write a page for each usable trial into ``pages/``; needs both prices. Some seconds a trial.
    progress : bool
        Show a progress bar.
    workers : int, optional
        Processes to work in, on this machine; by default as many as it has cores, where there is work enough
        to pay for starting them, else this one alone.
    client : dask.distributed.Client or str, optional
        Dask cluster, or the address of its scheduler, to do the parts on. Its workers need the same version
        of fertkit and must see the input and the output folder under the same paths.

    Raises
    ------
    InputError
        If the input is not there, or is no table or data set of this kind.
    FertkitError
        If `out` holds a batch asked for otherwise, or is being written by another run; or parts were given
        up for want of memory.
    """
    settings = record.checked({name: value for name, value in locals().items() if name not in _WHERE})
    out = Path(out).resolve()
    found = find_source(Path(source).resolve(), lambda names: settings.how.is_tidy(names, settings), skip=out)
    settings = record.fitting(settings, found)
    with ExitStack() as stack:
        stack.enter_context(record.held(out))
        settings, parts, missing, told = _plan(found, settings, out)
        if isinstance(client, str):
            client = stack.enter_context(connected(client))
        if missing:
            _work(settings, missing, len(parts), progress, workers, client, out)
        result = gather(settings, [part.target for part in parts], out, told)
        shutil.rmtree(out / "input", ignore_errors=True)
    return result


def work_part(settings: record.Settings, part: Part) -> tuple[str, str]:
    """Make a part into rows and write them, here or on a worker; tells the file's name and its digest."""
    write_frame(settings.how.work(part, settings), part.target)
    return part.target.name, record.digest_of(part.target)


def _work(settings, missing, total, progress, workers, client, out):
    from tqdm import tqdm

    class Bar(tqdm):
        monitor_interval = 0  # no thread of its own, which would keep `_pool` from copying this process

    Bar.set_lock(RLock())  # no other process draws it; a lock between processes would outlive a stopped run
    work, workers = partial(work_part, settings), workers or worth(settings, missing)
    if client is not None:
        done = on_cluster(client, work, missing)
    else:
        done = in_processes(workers, work, missing) if workers > 1 else (work(part) for part in missing)
    with closing(done), Bar(
        total=total, initial=total - len(missing), unit="part", disable=not progress, file=sys.stderr,
        miniters=1,
    ) as bar:  # fmt: skip
        for name, digest in done:
            record.enter(out, name, digest)
            bar.update()


def worth(settings: record.Settings, missing: list[Part]) -> int:
    """As many processes as there are cores for this one, if each gets work enough to pay for its start."""
    size = settings.part_size / settings.how.SIZE if missing[0].tidy else 1
    return max(1, min(_cores(), _MOST_PROCESSES, int(len(missing) * size / _WORTH_IT)))


def _cores():
    if current_process().daemon:  # a worker of others, which may start none
        return 1
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


# ---- processes of this machine


def in_processes(workers: int, work, parts: list[Part]):
    """Work all parts in processes; give what each tells as it ends, in whatever order.

    A process that is lost, perhaps for want of memory, loses no more than what was at work.

    Raises
    ------
    FertkitError
        If parts were given up because processes were lost over them again and again.
    """
    left, losses = list(parts), 0
    while left and losses < _LOSSES:
        before = len(left)
        with _pool(min(workers, before)) as submit, suppress(BrokenProcessPool):
            futures = submit(work, left)
            for future in as_completed(futures):
                told = future.result()
                left.remove(futures[future])
                yield told
        losses = losses + 1 if len(left) == before else 0
        workers, left = max(1, workers // 2), left[1:] + left[:1]  # fewer need less memory; another is first
    _give_up(left)


@contextmanager
def _pool(workers):
    """Processes that end with the run, however it ends and whatever they are at; gives how to submit."""
    # A copy of this process has all loaded, but may wait for ever for what another thread held.
    context = get_context("fork" if sys.platform == "linux" and active_count() == 1 else "spawn")
    alive, ours = context.Pipe(duplex=False)
    pool = ProcessPoolExecutor(workers, context, _begin, (alive, ours))

    def submit(work, parts):
        # A process that starts would run the script that stands above again, up to this very call.
        script, sys.modules["__main__"] = sys.modules["__main__"], ModuleType("__main__")
        try:
            with _out_of_reach(), warnings.catch_warnings():
                warnings.simplefilter("ignore", DeprecationWarning)  # threads of libraries know copies
                return {pool.submit(work, part): part for part in parts}
        finally:
            sys.modules["__main__"] = script

    try:
        yield submit
    finally:
        ours.close()
        pool.shutdown(cancel_futures=True)


@contextmanager
def _out_of_reach():
    """Hold Ctrl-C back: a process that starts meanwhile never hears it, the run hears it afterwards."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(alive, ours):
    """Let a new process be stopped by the run alone, and say nothing on its terminal."""
    ours.close()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    warnings.simplefilter("ignore")
    Thread(target=_end_with, args=(alive,), daemon=True).start()


def _end_with(run):
    with suppress(EOFError, OSError):
        run.recv_bytes()
    os._exit(1)


def _give_up(parts):
    if parts:
        names = ", ".join(part.target.stem for part in parts)
        raise FertkitError(
            f"{names} were given up: their workers kept failing, perhaps for lack of memory. Use more memory "
            "or smaller parts; the other parts are kept"
        )


# ---- a Dask cluster: only the paths of parts travel; a part whose worker is lost is done again there


def on_cluster(client, work, parts: list[Part]):
    """Work all parts on a cluster; give what each tells as it ends, in whatever order.

    Raises
    ------
    FertkitError
        If the scheduler is lost; at the end, if parts were given up because their workers were lost again
        and again.
    """
    distributed = _distributed()
    futures = dict(zip(client.map(work, parts, pure=False), parts, strict=True))
    lost = []
    for future in distributed.as_completed(futures):
        try:
            yield future.result()
        except distributed.scheduler.KilledWorker:
            lost.append(futures[future])
        except CancelledError:
            raise FertkitError(f"lost the scheduler; finished parts are kept. {_AGAIN}") from None
        future.release()
    _give_up(lost)


@contextmanager
def connected(address: str):
    """Connect to a scheduler that runs already; its log stays off the terminal."""
    distributed, before = _distributed(), logging.root.manager.disable
    logging.disable(logging.CRITICAL)  # what a person can do about it is said in an error
    try:
        try:
            client = distributed.Client(address, timeout=_PATIENCE)
        except (OSError, ValueError):
            what = f"no scheduler answers at {shorten(address)}; an address is like tcp://127.0.0.1:8786"
            raise FertkitError(f"{what}. {_AGAIN}") from None
        with client:
            yield client
    finally:
        logging.disable(before)


def _distributed():
    try:
        import distributed
    except ImportError:
        remedy = installing("cluster")
        raise InputError("cluster", [Problem("a cluster needs one more package", remedy)]) from None
    return distributed


# ---- the plan


def _plan(found, settings: record.Settings, out: Path):
    """The parts of the work as an earlier run left them or cut anew, those to be worked, and why again."""
    file = out / "run.json"
    now = record.record_of(settings, found)
    was = record.read_record(file, now)
    fresh = was is None
    if fresh:
        if (out / "parts").exists():
            raise FertkitError(f"{out / 'parts'} holds parts without a run record; {record.EMPTY}")
        own = settings.kind == "trials" and not found.columns
        units = first_units(found, settings) if own else ("", "")
        was = now | {"price_units": units, "parts": _cut(found, settings, out)}
        if not was["parts"]:
            raise InputError(found.root.name, [Problem("columns but no rows", "add rows")])
        write_whole(json.dumps(was, indent=1) + "\n", file)
    settings.price_units = was["price_units"]
    targets = [out / "parts" / f"{part_name(i)}{ending()}" for i in range(was["parts"])]
    lacking, told = record.unfinished(out, targets)
    again = not fresh and (lacking or not found.columns)  # what an earlier run cut may not be whole
    if again and _cut(found, settings, out) != was["parts"]:
        raise FertkitError(f"{file} names {was['parts']} parts, unlike the input; {record.EMPTY}")
    parts = [_part(i, target, found, out, settings.how.FILES) for i, target in enumerate(targets)]
    missing = [part for part in parts if part.target in lacking]
    if found.refused:
        parts.append(_refused_files(found, settings, out))
    return settings, parts, missing, told


def _cut(found, settings, out) -> int:
    """Cut a data set into parts, and count them; files are parts as they are."""
    if not found.columns:
        return -(-len(found.files) // settings.how.FILES)
    shutil.rmtree(out / "input", ignore_errors=True)
    return cut_rows(found, settings.by, settings.part_size, out / "input")


def _part(number, target, found, out, many) -> Part:
    if not found.columns:
        files = found.files[number * many : (number + 1) * many]
        return Part(tuple((str(f), found.name(f)) for f in files), False, target)
    files = sorted((out / "input" / part_name(number)).glob("*" + ending()))
    return Part(tuple((str(f), f.name) for f in files), True, target)


def _refused_files(found, settings, out) -> Part:
    """Write the files of a data set that cannot be read as a part of their own: a row each."""
    rows = pd.DataFrame(found.refused, columns=["file", "message"]).assign(status=Status.REFUSED)
    target = out / "parts" / f"part-files{ending()}"
    write_frame(typed(rows, settings.how.types(settings.by)), target)
    return Part((), True, target)
