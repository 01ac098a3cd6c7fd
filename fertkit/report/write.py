"""Write files whole or not at all."""

import os
import tempfile
from pathlib import Path


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
    >>> write_whole("a page", "page.html").read_text()
    'a page'
    """
    path = Path(path)
    if isinstance(content, str):
        content = content.encode("utf-8")
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:60]}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(content)
        os.chmod(draft, 0o644)
        os.replace(draft, path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
    return path
