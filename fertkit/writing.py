"""Write files whole or not at all, and name the file when that fails."""

import os
import re
import stat
import unicodedata
from contextlib import contextmanager, suppress
from pathlib import Path

from fertkit.asked import a_content, a_path, asks
from fertkit.errors import naming


def plain_letters(name: str, longest: int = 40) -> str:
    """Write a name of the user in letters, digits and dashes that any file system takes; maybe nothing."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain)[:longest].strip("-")


@contextmanager
def drafted(path: Path):
    """Give a draft to write; it takes the place of `path` at the end, or leaves no trace if that fails.

    The draft is on the disk before it takes that place. A file that was there keeps its mode, a link to it
    stays a link, and a new file gets the mode that the system gives to new files. What is no file (a pipe, a
    device) is written to directly.
    """
    path, mode = Path(path), _mode(path)
    if mode is not None and not stat.S_ISREG(mode):
        with naming(path):
            yield path
        return
    target = Path(os.path.realpath(path))
    draft = target.with_name(f".{target.name[:60]}.{os.urandom(8).hex()}.part")
    with naming(path, draft):
        os.close(os.open(draft, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
        try:
            yield draft
            if mode is not None:
                os.chmod(draft, stat.S_IMODE(mode))
            _to_disk(draft)
            os.replace(draft, target)
        except BaseException:
            draft.unlink(missing_ok=True)
            raise
    _folder_to_disk(target.parent)


def _mode(path):
    """Mode of what is at a path, links followed; None where nothing is."""
    try:
        return os.stat(path).st_mode
    except FileNotFoundError:
        return None


def _to_disk(file):
    handle = os.open(file, os.O_RDWR)  # Windows flushes only what may be written
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _folder_to_disk(folder):
    """Have the new name of a file outlast a power cut, where the system can do so for a folder."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def named(path, ending: str) -> Path:
    """Return a path with an ending, if it has none and is not there: a page ``field`` is ``field.html``."""
    path = Path(path)
    return path if path.suffix or path.exists() else path.with_suffix(ending)


@asks(content=a_content, path=a_path)
def write_whole(content: str | bytes, path) -> Path:
    """Write a file whole or not at all: a failed or killed write leaves the old file as it was.

    Parameters
    ----------
    content : str or bytes
        Text is written as UTF-8 with its line ends as they are.
    path : path

    Raises
    ------
    OSError
        Names `path` if the folder does not exist, cannot be written or is full.

    Examples
    --------
    >>> from fertkit.writing import write_whole
    >>> write_whole("a page", "page.html").read_text()
    'a page'
    """
    path = Path(path)
    with drafted(path) as draft:
        draft.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path
