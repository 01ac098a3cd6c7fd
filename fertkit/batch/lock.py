"""One run at a time in a folder: a file there says which run holds it; what a dead run left is taken over."""

import json
import os
import socket
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from fertkit.errors import FertkitError, shorten
from fertkit.writing import naming

LOCK = "run.lock"


@contextmanager
def held(out: Path):
    """Hold a folder against other runs; it is made if it is not there.

    Parameters
    ----------
    out : Path

    Raises
    ------
    FertkitError
        If another run holds it; names that run and what to do.
    """
    out.mkdir(parents=True, exist_ok=True)
    file, mine = out / LOCK, _mine()
    while not _taken(file, mine):
        other = _read(file)
        if other is None:
            continue  # it ended meanwhile
        if not _is_dead(other):
            raise FertkitError(_refusal(file, other))
        _clear(file, other)
    try:
        yield
    finally:
        if _read(file) == mine:
            file.unlink(missing_ok=True)


def _mine():
    started = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
    pid = os.getpid()
    return json.dumps({"pid": pid, "host": socket.gethostname(), "started": started, "birth": _birth(pid)})


def _taken(file, mine):
    try:
        with naming(file), file.open("x", encoding="utf-8") as stream:
            stream.write(mine)
    except FileExistsError:
        return False
    except OSError:  # a full disk: half a lock would hold the folder for ever
        file.unlink(missing_ok=True)
        raise
    return True


def _read(file):
    try:
        return file.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return None


def _told(text) -> dict:
    """What a lock says; {} where it was not written whole or not by this kit."""
    try:
        told = json.loads(text)
        return {"pid": int(told["pid"])} | {key: str(told[key]) for key in ("host", "started", "birth")}
    except (ValueError, KeyError, TypeError):
        return {}


def _is_dead(text):
    """Whether the run was one of this machine and is no more; of another machine that cannot be known."""
    told = _told(text)
    if not told or told["host"] != socket.gethostname() or not 0 < told["pid"] < 2**31:
        return False
    try:
        _exists(told["pid"])
    except ProcessLookupError:
        return True
    except (OSError, NotImplementedError):
        return False
    # Else the number may have been given to another process since.
    return told["birth"] != "" and told["birth"] != _birth(told["pid"])


def _exists(pid):
    if os.name == "nt":  # a signal of 0 would end the process there
        raise NotImplementedError
    os.kill(pid, 0)


def _birth(pid):
    """When a process began, in the ticks of a Linux kernel; "" where it is not told (proc(5), field 22)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def _clear(file, dead):
    """Put a dead run's lock away; of several runs that try, one alone gets hold of it."""
    aside = file.with_name(f".{LOCK}.{os.getpid()}.{os.urandom(4).hex()}")
    try:
        file.replace(aside)
    except FileNotFoundError:
        return
    if _read(aside) == dead:
        aside.unlink()
    else:  # another run was quicker, and this is its own
        aside.replace(file)


def _refusal(file, text):
    told = _told(text)
    run = "a run that cannot be told"
    if told:
        run = f"process {told['pid']} on {shorten(told['host'])}, started {shorten(told['started'])}"
    return (
        f"{file.parent} is being written by another run: {run}. Wait until it has ended, or write to another "
        f"folder. If that run is no more, delete {file} and start again; the parts that are done are kept"
    )
