"""A page for each single trial of a batch, where asked for, under a file name of plain letters."""

import re
import unicodedata
from hashlib import blake2b
from pathlib import Path

import numpy as np
import pandas as pd

from fertkit.errors import FertkitError
from fertkit.writing import write_whole


def page_name(file: str, names) -> str:
    """File name of a trial's page: plain letters and digits of its name, and a fingerprint of all of it."""
    plain = unicodedata.normalize("NFKD", "-".join(names)).encode("ascii", "ignore").decode().lower()
    short = re.sub(r"[^a-z0-9]+", "-", plain)[:40].strip("-")
    return f"{short or 'trial'}-{_fingerprint(file, names)[:12]}.html"


def seed_of(seed: int, file: str, names) -> int:
    """Seed of one trial: from the seed of the batch and the trial's name, wherever it is worked."""
    entropy = [seed, int(_fingerprint(file, names), 16)]
    return int(np.random.SeedSequence(entropy).generate_state(1)[0])


def write_page(found, settings, home: Path) -> None:
    """Write the page of a usable trial."""
    from fertkit.report.trial import trial_page
    from fertkit.report.trial_answer import answer_trial

    data, name = found.data, " ".join(found.names)
    rate, yield_ = data.columns
    table = pd.DataFrame({"trial": name, rate: data.rate, yield_: data.yields})
    if data.block is not None:
        table["block"] = data.block
    if found.nutrient:
        table["nutrient"] = found.nutrient
    try:
        answer = answer_trial(
            table, nutrient_price=settings.nutrient_price, grain_price=settings.grain_price,
            seed=seed_of(settings.seed, found.file, found.names),
        )  # fmt: skip
        page = trial_page(answer)
    except FertkitError:  # the table says what can be said of it
        return
    home.mkdir(parents=True, exist_ok=True)
    write_whole(page, home / page_name(found.file, found.names))


def _fingerprint(file, names):
    return blake2b("\x1f".join([file, *names]).encode("utf-8", "surrogatepass"), digest_size=16).hexdigest()
