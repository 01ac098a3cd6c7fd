"""Write files whole or not at all."""

import os
import tempfile
from pathlib import Path


def write_whole(text: str, path) -> Path:
    """Write a text file whole or not at all: a failed or killed write leaves the old file as it was.

    Raises
    ------
    OSError
        If the folder does not exist or cannot be written.
    """
    path = Path(path)
    handle, draft = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(text)
        os.chmod(draft, 0o644)
        os.replace(draft, path)
    except BaseException:
        Path(draft).unlink(missing_ok=True)
        raise
    return path
