"""Files made to exhaust memory or time are refused early, by a message that names the limit."""

import json
import subprocess
import sys
from pathlib import Path

BOMBS = Path(__file__).with_name("bombs.py")
EXPECTED = {
    "zip bomb": "larger than 300 MB when unpacked",
    "zip bomb that lies about its size": "larger than 300 MB when unpacked",
    "zip of many files": "packed from more than 1,000 files",
    "cell at the far end": "absurdly far apart",
    "row number beyond any sheet": "absurdly far apart",
    "long text shown in many cells": "texts of the cells are too long",
    "row repeated a million times": "absurdly far apart",
    "text repeated": "texts of the cells are too long",
    "one value of 320 MB": "larger than 300 MB when unpacked",
    "one value of 290 MB": "absurdly long",
    "one text of 290 MB": "absurdly long",
    "16,000 columns": "more than 4,096 columns",
    "16,000 columns of 300 rows": "more than 4,096 columns",
    "16,000 columns of text": "more than 4,096 columns",
    "entities in XLSX": "defines entities",
    "entities in ODS": "defines entities",
    "a million columns": "more than 4,096 columns",
    "more columns still": "more than 4,096 columns",
    "one endless line": "longer than 1,000,000 characters",
    "one long line among short ones": "larger than 5,000,000 cells",
    "two million rows": "more than 1,048,576 rows",
    "larger than any table": "larger than 100 MB",
    "a file without end": "larger than 100 MB",
    "size stated too large": "read 4",
    "far cell with a format only": "read 4",
    "cells far apart": "4,320,000 cells, of which 10 hold something",
    "rows far apart": "1,216,304 cells, of which 10 hold something",
    "padded to the end": "read 4",
    "blank rows": "read 2",
    "words without end": "not a number",
    "strips: zip bomb": "larger than 300 MB when unpacked",
    "strips: cell at the far end": "absurdly far apart",
    "strips: words without end": "no column for the rate",
    "strips: one value of 290 MB": "absurdly long",
    "strips: 16,000 columns": "more than 4,096 columns",
    "strips: 16,000 columns of 300 rows": "more than 4,096 columns",
    "strips: 16,000 columns of text": "more than 4,096 columns",
    "ranges: zip bomb": "larger than 300 MB when unpacked",
    "ranges: entities in XLSX": "defines entities",
    "log: one endless line": "row 1 is longer than",
    "log: a million columns": "row 2 is longer than",
    "log: too many rows": "more than 20,000,000 rows",
}


def test_within_the_limits_of_memory_and_time(tmp_path):
    command = [sys.executable, BOMBS]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=tmp_path)
    said = {line["name"]: line["said"] for line in map(json.loads, done.stdout.splitlines())}
    assert set(said) == set(EXPECTED), "the system had to end a process: too much memory or time"
    for name, expected in EXPECTED.items():
        assert expected in said[name], name
        assert said[name].startswith("read" if expected.startswith("read") else "refused"), name
        assert len(said[name]) < 8_000, name
