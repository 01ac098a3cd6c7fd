"""README: its pictures are there and small, and Windows is told to do what the other systems are."""

import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def block(kind: str) -> str:
    """Give the first block of commands of a shell, one command a line."""
    found = re.search(rf"```{kind}\n(.*?)```", TEXT, re.DOTALL)[1]
    return re.sub(r"[\\`]\n *", "", found)


def test_pictures_are_there_small_and_described():
    pictures = re.findall(r'<img src="([^"]+)" width="\d+" alt="([^"]{40,})">', TEXT)
    assert len(pictures) == TEXT.count("<img ") == 2
    for path, _ in pictures:
        assert (ROOT / path).stat().st_size < 150_000


def test_powershell_is_told_the_same():
    windows = block("powershell").replace("\\", "/").replace("Scripts", "bin").replace("py -3", "python3")
    assert windows == block("sh")
