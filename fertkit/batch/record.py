"""What a batch is asked to do, and its records in the folder: what was asked, what is finished, who is at it.

``run.json`` holds what a later run must match; ``parts.sha256`` the parts that are finished, a line each as
``sha256sum`` writes and checks them; ``run.lock`` the run that writes now, freed by the system when it ends.
"""

import hashlib
import json
import os
import re
import socket
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

from fertkit import __version__
from fertkit.batch import farms, samples, trials
from fertkit.errors import (
    FertkitError,
    InputError,
    LookupFailed,
    NotEstimable,
    Problem,
    naming,
    shorten,
    typed,
    unknown,
)
from fertkit.intake.columns import each
from fertkit.intake.strip_headers import ROLES
from fertkit.reference.load import load_ranges
from fertkit.response.prices import one_ratio, positive
from fertkit.writing import write_whole

KINDS = {"trials": trials, "samples": samples, "farms": farms}
EMPTY = "empty the folder, or use another"  # what to do where a folder is not what a run left
LIST, LOCK = "parts.sha256", "run.lock"
_LINE = re.compile(r"^([0-9a-f]{64})  parts/(\S+)\n", re.MULTILINE)
#: Role of a column → the setting that names it in a data set.
_IN_DATA_SET = {"trial": "by", "rate": "rate", "yield": "response", "block": "blocks"}
#: Settings whose name in the record is not what a person calls them.
_CALLED = {
    "digest": "the content of the input", "version": "the version of fertkit", "input": "the input",
    "files": "the number of files", "by": "the columns that tell trials apart", "price_ratio":
    "the price ratio", "part_size": "the size of a part", "response": "the yield column",
    "ranges_digest": "the content of the own ranges",
}  # fmt: skip


class Settings(SimpleNamespace):
    """Everything that decides the numbers of a batch: what `run_batch` was asked, under its names.

    Beside it ``ranges_digest``, the fingerprint of the ranges of the user's own, and ``price_units``, the
    units of rate and yield that the prices are for; ("", "") where nothing was read yet.
    """

    @property
    def how(self):
        """The module that knows how this kind is worked: its `work`, `types` and `is_tidy`."""
        return KINDS[self.kind]


def checked(asked: dict) -> Settings:
    """The settings as they were meant.

    Raises
    ------
    LookupFailed, PriceError, NotEstimable, InputError
        For an unknown kind, prices that cannot be, and settings that do not go together.
    """
    made = Settings(**asked, ranges_digest=None, price_units=("", ""))
    if made.kind not in KINDS:
        raise unknown("kind of batch", made.kind, KINDS)
    is_trials, made.by = made.kind == "trials", made.by or [made.how.NAME]
    if not is_trials and made.by != [made.how.NAME]:
        raise LookupFailed(f"{made.kind} need the column '{made.how.NAME}'")
    made.price_ratio = _ratio(made) if is_trials else None
    if made.decimal not in (None, ".", ","):
        raise unknown("decimal mark", made.decimal, [".", ","])
    if made.ranges is not None:
        load_ranges(made.ranges)
        made.ranges_digest = hashlib.blake2b(Path(made.ranges).read_bytes(), digest_size=16).hexdigest()
        made.ranges = str(Path(made.ranges).resolve())
    only = {name: getattr(made, name) for name in farms.OPTIONS if getattr(made, name) is not None}
    if only and made.kind != "farms":
        raise NotEstimable(f"{', '.join(only)}: for farms, not for {made.kind}")
    if made.pages and made.kind != "farms" and (not is_trials or made.nutrient_price is None or made.weight):
        raise NotEstimable("pages need single trials, both prices and no weights")
    if made.columns and not is_trials:
        raise NotEstimable(f"columns are named by role only in strip files, not in {made.kind}")
    made.columns = {role: list(each(named)) for role, named in (made.columns or {}).items()}
    for role in made.columns:
        if role not in ROLES:
            raise unknown("role of a column", role, ROLES)
    if not is_trials and (said := trials.reading(made)):
        raise NotEstimable(f"{', '.join(said)}: only for strip files, not for {made.kind}")
    vars(made).update({name: getattr(made, name) or None for name in trials.READING})
    made.part_size = made.part_size or made.how.SIZE
    return made


def _ratio(made):
    if made.price_ratio is None:
        nutrient, grain = made.nutrient_price, made.grain_price
        return one_ratio(positive(nutrient, "nutrient price") / positive(grain, "grain price"))
    if made.nutrient_price is not None or made.grain_price is not None:
        raise NotEstimable("give the price ratio or the two prices, not both")
    return one_ratio(made.price_ratio)


def fitting(settings: Settings, found) -> Settings:
    """The settings for this input, a data set or a folder of files.

    In a data set the columns named by role are put where it is asked for them.

    Raises
    ------
    InputError, NotEstimable
        If the input lacks the columns of its kind, or is not read in such a way, before any work is done.
    """
    if not found.columns:
        if settings.by != [settings.how.NAME]:
            remedy = f"leave out {typed('--by', 'by=')}: strip files name their trials by header"
            raise InputError(
                found.root.name, [Problem("not a data set with columns that identify a trial", remedy)]
            )
        if settings.kind == "trials" and settings.decimal:
            raise NotEstimable("leave it out: strip files show their decimal mark")
        return settings
    # A data set is taken as it stands, so its zeros were measured whether that is said or not.
    if said := [name for name in trials.reading(settings) if name != "real_yields"]:
        what = "only for strip files; columns of a data set carry units, as in rate_lb_ac"
        raise NotEstimable(f"{', '.join(said)}: {what}")
    made = Settings(**vars(settings))
    for role, headers in made.columns.items():
        if role not in _IN_DATA_SET:
            known = ", ".join(_IN_DATA_SET)
            raise NotEstimable(f"in a data set columns can be named for {known}, not for '{role}'")
        name = _IN_DATA_SET[role]
        if len(headers) > 1 or (name != "by" and getattr(made, name) not in (None, headers[0])):
            raise NotEstimable(f"two columns given for the {role}: give one")
        setattr(made, name, headers if name == "by" else headers[0])
    if not made.how.is_tidy(found.columns, made):
        remedy = f"a data set of {made.kind} has the columns {', '.join([*made.by, made.how.COLUMNS])}"
        what = f"columns are missing among: {', '.join(found.columns[:30])}"
        raise InputError(found.root.name, [Problem(what, remedy)])
    return made


# ---- what was asked


def record_of(settings: Settings, source) -> dict:
    """What a later run must match to go on where this one ended."""
    told = {name: value for name, value in vars(settings).items() if name != "price_units"}
    files = {"input": source.root.name, "files": len(source.files), "digest": source.digest()}
    return told | files | {"version": __version__}


def read_record(file: Path, now: dict) -> dict | None:
    """The record of an earlier run in the folder, if there is one.

    Raises
    ------
    FertkitError
        Unless that run asked the same of the same input; tells every difference.
    """
    try:
        was = json.loads(file.read_text(encoding="utf-8"))
        was["parts"], was["price_units"] = int(was["parts"]), tuple(map(str, was["price_units"]))
    except FileNotFoundError:
        return None
    except (ValueError, TypeError, KeyError):
        raise InputError(file.name, [Problem("not the record of a batch", EMPTY)]) from None
    differ = [key for key in now if was.get(key) != now[key]]
    if not differ:
        return was
    told = [
        f"{_CALLED.get(key, key.replace('_', ' '))} differs"
        + ("" if "digest" in key else f": {was.get(key)} before, {now[key]} now")
        for key in differ
    ]
    raise FertkitError(
        f"{file.parent} holds a batch with other settings: {'; '.join(told)}. Use the same settings or "
        "another folder"
    )


# ---- what is finished


def digest_of(file: Path) -> str:
    """SHA-256 of a file's bytes."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def entered(out: Path) -> dict[str, str]:
    """Name of a part file → its digest; the last entry of a name holds, a line cut short is none."""
    file = out / LIST
    text = file.read_text(encoding="utf-8", errors="replace") if file.exists() else ""
    return {name: digest for digest, name in _LINE.findall(text)}


def unfinished(out: Path, targets: list[Path]) -> tuple[set[Path], list[str]]:
    """Compare part files with their entries, and keep only the entries that hold.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    targets : list of Path
        Files of all its parts.

    Returns
    -------
    lacking : set of Path
        Those to be worked: never entered, gone, or other than entered.
    told : list of str
        What is wrong with parts that had been finished.

    Raises
    ------
    FertkitError
        If parts were finished that are not among `targets`.
    """
    was = entered(out)
    if strange := sorted(set(was) - {target.name for target in targets}):
        what = f"{out / LIST} names parts missing from the run record: {', '.join(strange[:5])}"
        raise FertkitError(f"{what}; {EMPTY}")
    found = {target: digest_of(target) if target.exists() else "" for target in targets if target.name in was}
    sound = {target: digest for target, digest in found.items() if digest == was[target.name]}
    how = {target: "is not as it was written" if digest else "was gone" for target, digest in found.items()}
    told = [f"part file {t.name} {how[t]}: its work was done again" for t in found if t not in sound]
    write_whole("".join(f"{digest}  parts/{target.name}\n" for target, digest in sound.items()), out / LIST)
    return {target for target in targets if target not in sound}, told


def enter(out: Path, name: str, digest: str) -> None:
    """Enter a finished part, on disk before anything else is done."""
    with naming(out / LIST), (out / LIST).open("a", encoding="utf-8") as stream:
        stream.write(f"{digest}  parts/{name}\n")
        stream.flush()
        os.fsync(stream.fileno())


# ---- who is at it


@contextmanager
def held(out: Path):
    """Hold a folder against other runs; it is made if it is not there. The system frees what a dead run held.

    Raises
    ------
    FertkitError
        If another run holds it; names that run and what to do.
    """
    from filelock import FileLock, Timeout

    out.mkdir(parents=True, exist_ok=True)
    file, started = out / LOCK, datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
    try:
        lock = FileLock(file).acquire(blocking=False)
    except Timeout:
        run = ""
        with suppress(OSError):  # Windows lets no other read or write it, or take it away
            run = shorten(file.read_text(encoding="utf-8", errors="replace"), 200)
        what = f"{out} is being written by another run: {run or 'unknown'}"
        raise FertkitError(f"{what}. Wait for it to end, or use another folder") from None
    with lock:
        try:
            with naming(file), suppress(PermissionError):
                file.write_text(
                    f"process {os.getpid()} on {socket.gethostname()}, started {started}", "utf-8"
                )
            yield
        finally:
            with suppress(OSError):
                file.unlink()
