"""Which parts of a batch are finished: each is entered with the SHA-256 of its file once it is written.

The list stands beside the record of the run, a line a part as ``sha256sum`` writes and checks them. A part
whose file is not what was entered is worked again.
"""

import hashlib
import os
import re
from pathlib import Path

from fertkit.batch.settings import EMPTY
from fertkit.errors import FertkitError
from fertkit.writing import naming, write_whole

LIST = "parts.sha256"
_LINE = re.compile(r"^([0-9a-f]{64})  parts/(\S+)\n", re.MULTILINE)


def digest_of(file: Path) -> str:
    """SHA-256 of a file's bytes."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def entered(out: Path) -> dict[str, str]:
    """Name of a part file → its digest; the last entry of a name holds, a line cut short is none."""
    try:
        text = (out / LIST).read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return {}
    return {name: digest for digest, name in _LINE.findall(text)}


def unfinished(out: Path, targets: list[Path]) -> tuple[list[Path], list[str]]:
    """Compare part files with their entries, and keep only the entries that hold.

    Parameters
    ----------
    out : Path
        Folder of the batch.
    targets : list of Path
        Files of all its parts.

    Returns
    -------
    lacking : list of Path
        Those to be worked: never entered, gone, or other than entered.
    told : list of str
        What is wrong with parts that had been finished.

    Raises
    ------
    FertkitError
        If parts were finished that are not among `targets`.
    """
    was, sound, lacking, told = entered(out), {}, [], []
    strange = sorted(set(was) - {target.name for target in targets})
    if strange:
        what = f"{out / LIST} names parts that the record of the run does not: {', '.join(strange[:5])}"
        raise FertkitError(f"{what}; {EMPTY}")
    for target in targets:
        known = was.get(target.name)
        if known and target.exists() and digest_of(target) == known:
            sound[target.name] = known
            continue
        lacking.append(target)
        if known:
            how = "is not as it was written" if target.exists() else "was gone"
            told.append(f"part file {target.name} {how}: its work was done again")
    write_whole("".join(f"{digest}  parts/{name}\n" for name, digest in sound.items()), out / LIST)
    return lacking, told


def enter(out: Path, name: str, digest: str) -> None:
    """Enter a finished part, on disk before anything else is done."""
    with naming(out / LIST), (out / LIST).open("a", encoding="utf-8") as stream:
        stream.write(f"{digest}  parts/{name}\n")
        stream.flush()
        os.fsync(stream.fileno())
