"""Write files whole or not at all."""

import os
import tempfile
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def drafted(path: Path):
    """Give a draft to write; it takes the place of `path` at the end, or leaves no trace if that fails."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:60]}.", suffix=".part")
    os.close(handle)
    draft = Path(name)
    try:
        yield draft
        os.chmod(draft, 0o644)
        os.replace(draft, path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise


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
        If the folder does not exist or cannot be written.

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
