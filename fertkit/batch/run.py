"""Run a batch: cut the input into parts, work those not done yet, join what came out."""

import json
import shutil
import sys
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from fertkit.asked import (
    a_count,
    a_flag,
    a_header,
    a_list,
    a_path,
    a_share,
    a_text,
    a_word,
    above_zero,
    amounts,
    asks,
    either,
    headers,
    headers_by_role,
    holding,
    words_by_name,
)
from fertkit.batch.cluster import connected, work_on
from fertkit.batch.finished import digest_of, enter, unfinished
from fertkit.batch.lock import held
from fertkit.batch.parts import REFUSED, Part
from fertkit.batch.results import BatchResult, gather
from fertkit.batch.settings import (
    EMPTY,
    FILES_IN_PART,
    Settings,
    for_data_set,
    make_settings,
    read_record,
    record_of,
    refuse_other,
)
from fertkit.batch.sources import Source, columns_of, cut_rows, find_source, part_name, readable_files
from fertkit.batch.store import ending, typed, write_frame
from fertkit.batch.trials import first_units
from fertkit.errors import FertkitError, InputError, NotEstimable, Problem
from fertkit.writing import write_whole


@asks(
    source=a_path, out=a_path, kind=a_word, by=headers, nutrient_price=amounts, grain_price=amounts,
    price_ratio=amounts, level=a_share, rate=a_header, yield_=a_header, block=a_header, weight=a_header,
    columns=headers_by_role, units=words_by_name, sheet=a_text, analysis=a_text, density=above_zero,
    real_yields=a_flag, decimal=a_word, crop=a_text, ranges=a_path, source_keys=a_list, seed=a_count(0),
    part_size=a_count(1), pages=a_flag, progress=a_flag,
    client=either(a_word, holding("map", "submit", like="a Client of dask.distributed")),
)  # fmt: skip
def run_batch(
    source, out, kind="trials", *, by=None, nutrient_price=None, grain_price=None, price_ratio=None,
    level=0.95, rate=None, yield_=None, block=None, weight=None, columns=None, units=None, sheet=None,
    analysis=None, density=None, real_yields=False, decimal=None, crop=None, ranges=None, source_keys=None,
    seed=0, part_size=None, pages=False, progress=True, client=None,
) -> BatchResult:  # fmt: skip
    """Work many rate trials or many tissue samples: one table of results and a page that leads through it.

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
    kind : {'trials', 'samples'}
    by : str or list of str, optional
        Columns of a data set that tell trials apart; ``trial`` by default.
    nutrient_price, grain_price : float, optional
        Price per mass unit of the rate column and of the yield column; in a folder of files, of those of the
        first file (trials in other units are not usable with these prices); or instead of the two
    price_ratio : float, optional
        their ratio [yield unit per rate unit].
    level : float
        Confidence level of the intervals.
    rate, yield_, block, weight : str, optional
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
    part_size : int, optional
        Trials or samples of a data set in a part; by default as many as take some seconds.
    pages : bool
        Write a page for each usable trial into ``pages/``; needs both prices. Some seconds a trial.
    progress : bool
        Show a progress bar.
    client : dask.distributed.Client or str, optional
        Cluster, or the address of its scheduler, to do the parts on; see `fertkit.batch.local_cluster`.

    Returns
    -------
    BatchResult

    Raises
    ------
    InputError
        If the input is not there, or is no table or data set of this kind.
    FertkitError
        If `out` holds a batch asked for otherwise, or is being written by another run; or parts were given
        up for want of memory.
    """
    reading = {"units": units, "sheet": sheet, "analysis": analysis, "density": density}
    settings = make_settings(
        kind, by, nutrient_price=nutrient_price, grain_price=grain_price, price_ratio=price_ratio, seed=seed,
        part_size=part_size, ranges=ranges, source=source_keys, level=level, rate=rate, yield_=yield_,
        block=block, weight=weight, columns=columns, decimal=decimal, crop=crop, pages=pages,
        reading=reading | {"real_yields": real_yields},
    )  # fmt: skip
    out = Path(out).resolve()
    found = find_source(Path(source).resolve(), settings.tidy, skip=out)
    settings = for_data_set(settings) if found.tidy else settings
    _check_columns(found, settings)
    with ExitStack() as stack:
        stack.enter_context(held(out))
        settings, parts, lacking, told = _plan(found, settings, out)
        missing = [part for part in parts if Path(part.target) in lacking]
        if isinstance(client, str):
            client = stack.enter_context(connected(client))
        _work(Work(settings), missing, len(parts), progress, client, out)
        result = gather(settings, [Path(part.target) for part in parts], out, told)
        shutil.rmtree(out / "input", ignore_errors=True)
    return result


@dataclass(frozen=True)
class Work:
    """Make a part into rows and write them, here or on a worker; tells the file's name and its digest."""

    settings: Settings

    def __call__(self, part: Part) -> tuple[str, str]:
        target = Path(part.target)
        write_frame(self.settings.work(part, self.settings), target)
        return target.name, digest_of(target)


def _work(work, missing, total, progress, client, out):
    from tqdm import tqdm

    done = map(work, missing) if client is None else work_on(client, work, missing)
    with tqdm(
        total=total, initial=total - len(missing), unit="part", disable=not progress, file=sys.stderr
    ) as bar:
        for name, digest in done if missing else ():
            enter(out, name, digest)
            bar.update()


# ---- the plan


def _check_columns(found: Source, settings: Settings) -> None:
    """Refuse a data set without the columns of its kind, before any work is done."""
    if not found.tidy:
        if settings.by not in (["trial"], ["sample_id"]):
            remedy = "leave `by` out: in files of strips the column of trials is found by its header"
            raise InputError(found.root.name, [Problem("not a data set with the columns to tell by", remedy)])
        if settings.kind == "trials" and settings.decimal:
            raise NotEstimable("files of strips tell their decimal mark by their numbers: leave it out")
        return
    columns = columns_of(found)
    if settings.tidy(columns):
        return
    needed = "rate_<unit> and yield_<unit>, like rate_lb_ac and yield_bu_ac"
    if settings.kind == "samples":
        needed = "crop, growth_stage, plant_part, nutrient and value"
    remedy = f"a data set of {settings.kind} has the columns {', '.join(settings.by)}, {needed}"
    raise InputError(
        found.root.name, [Problem(f"columns are missing among: {', '.join(columns[:30])}", remedy)]
    )


def _plan(found: Source, settings: Settings, out: Path) -> tuple[Settings, list[Part], set[Path], list[str]]:
    """The parts of the work as an earlier run left them or cut anew, those to be worked, and why again."""
    file = out / "run.json"
    now = record_of(settings, found)
    was = read_record(file)
    if was is not None:
        refuse_other(file, was, now)
    elif (out / "parts").exists():
        raise FertkitError(f"{out / 'parts'} holds parts but there is no record of their run; {EMPTY}")
    good, refused = readable_files(found) if found.tidy else (found, [])
    fresh = was is None
    if fresh:
        units = first_units(found, settings) if settings.kind == "trials" and not found.tidy else ("", "")
        was = now | {"units": list(units), "parts": _cut(good, settings, out)}
        write_whole(json.dumps(was, indent=1) + "\n", file)
    settings = replace(settings, units=tuple(was["units"]))
    targets = [out / "parts" / f"{part_name(i)}{ending()}" for i in range(was["parts"])]
    lacking, told = unfinished(out, targets)
    again = not fresh and (lacking or not found.tidy)  # what an earlier run cut may not be whole
    if again and _cut(good, settings, out) != was["parts"]:
        raise FertkitError(f"{file} names {was['parts']} parts, which is not what the input gives; {EMPTY}")
    parts = [_part(i, target, found, out) for i, target in enumerate(targets)]
    if refused:
        parts.append(_refused_files(refused, settings, out / "parts" / f"part-files{ending()}"))
    return settings, parts, set(lacking), told


def _cut(found, settings, out) -> int:
    """Cut a data set into parts, and count them; files are parts as they are."""
    if not found.tidy:
        return -(-len(found.files) // FILES_IN_PART)
    shutil.rmtree(out / "input", ignore_errors=True)
    return cut_rows(found, settings.by, settings.part_size, out / "input") if found.files else 0


def _part(number, target, found, out) -> Part:
    if found.tidy:
        files = sorted((out / "input" / part_name(number)).glob("*" + ending()))
        named = tuple((str(f), f.name) for f in files)
    else:
        files = found.files[number * FILES_IN_PART : (number + 1) * FILES_IN_PART]
        named = tuple((str(f), found.name(f)) for f in files)
    return Part(number, named, found.tidy, str(target))


def _refused_files(refused, settings, target) -> Part:
    """Write the files of a data set that cannot be read as a part of their own: a row each."""
    rows = pd.DataFrame(refused, columns=["file", "message"]).assign(status=REFUSED)
    target.parent.mkdir(exist_ok=True)
    write_frame(typed(rows, settings.types), target)
    return Part(-1, (), True, str(target))
