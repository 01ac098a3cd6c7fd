"""Answers and pages shared by the tests of reports, each made once."""

import re
import zlib

import numpy as np
import pandas as pd
import pytest

from fertkit.intake.farm import read_farm
from fertkit.report import answer_farm, answer_field, answer_network, answer_trial
from fertkit.report.page import svg_picture
from fertkit.report.plan import answer_plan

PRICES = {"nutrient_price": 1.0, "grain_price": 180.0}
HOSTILE = '=HYPERLINK("http://x.invalid")<script>alert(1)</script>$x^$\x00\u202e 豆'


@pytest.fixture(scope="session")
def corn_sites(outside):
    """Nitrogen on corn at five sites, 2002-03 (source: response_data_sources.csv)."""
    names = {"site": "trial", "rep": "block", "n_kg_ha": "rate_kg_ha"}
    return outside("hernandez_corn_n.csv").rename(columns=names).drop(columns="loc")


@pytest.fixture(scope="session")
def rice(outside):
    """Seeding rates of rice in blocks: Gomez & Gomez (1984), p. 26."""
    names = {"rep": "block", "seed_kg_ha": "rate_kg_ha"}
    return outside("gomez_rice_seedrate_rcbd.csv").rename(columns=names)


@pytest.fixture(scope="session")
def trial(corn_sites):
    """Answer for one site under a name that would run in a page and in a spreadsheet."""
    site = corn_sites[corn_sites["trial"] == "S1"]
    return answer_trial(site.assign(trial=HOSTILE), price_swing_pct=20, within=5, **PRICES)


@pytest.fixture(scope="session")
def plan(demo):
    """The season plan of the demo farm, nitrogen of corn at a rate of the grower's own."""
    files = (demo(f"plan_{name}.csv") for name in ("fields", "soil", "shed", "passes"))
    farm = read_farm(*files)
    policy = pd.DataFrame({"crop": ["corn"], "N": [165.0]})
    return answer_plan(
        farm.table, farm.soil, farm.shed, policy=policy, region="US Midwest", currency="dollars"
    )


@pytest.fixture(scope="session")
def kinds_of_site():
    """Three sites made to be without a response, rising ever more steeply, and level after a join."""
    rng, rates = np.random.default_rng(3), np.repeat([0.0, 40, 80, 120, 160], 4)
    curves = {
        "silent": 0 * rates + 9,
        "rising": 6 + 1.5e-4 * rates**2,
        "joined": 5 + 0.06 * np.minimum(rates, 80),
    }
    rows = [
        pd.DataFrame({"trial": name, "block": np.tile(range(4), 5), "rate_kg_ha": rates,
                      "yield_t_ha": yields + rng.normal(0, 0.12, 20)})
        for name, yields in curves.items()
    ]  # fmt: skip
    return pd.concat(rows, ignore_index=True)


@pytest.fixture(scope="session")
def network(kinds_of_site):
    """Answer for the three sites, a hostile name and a site of one rate."""
    alone = pd.DataFrame({"trial": "alone", "block": [1, 2], "rate_kg_ha": 0.0, "yield_t_ha": [7.0, 7.1]})
    sites = pd.concat([kinds_of_site, alone]).replace({"trial": {"joined": HOSTILE}})
    return answer_network(sites, within=5, **PRICES)


@pytest.fixture(scope="session")
def field(demo):
    """Answer for the demo field."""
    files = {"leaf": demo("leaf_tests.csv"), "strips": demo("soybean_k_strips.csv")}
    return answer_field("soybean", 60, nutrient_price=0.45, grain_price=11, **files)


@pytest.fixture(scope="session")
def farm():
    """Answer for two fields of a farm, one under a hostile name."""
    fields = {"field": ["North", HOSTILE], "crop": ["soybean", "corn"], "area_ac": [80.0, 40.0]}
    return answer_farm(pd.DataFrame(fields | {"yield_goal_bu_ac": [60.0, 200.0]}))


@pytest.fixture(scope="session")
def page_of(request):
    """Give the page of one of the answers above by its name, made once."""
    made = {}

    def page(kind):
        if kind not in made:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr("fertkit.report.page.svg_picture", svg_picture)
                made[kind] = request.getfixturevalue(kind).page()
        return made[kind]

    return page


@pytest.fixture(scope="session")
def undrawn_page(write_none):
    """Give the page of an answer as `undrawn` does, for tests that share it."""

    def page(answer):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(*write_none)
            return answer.page()

    return page


MARGIN = 15 / 25.4 * 72  # of the style sheet [pt]


@pytest.fixture(scope="session")
def filled():
    """Tell of each sheet of a printed page how far down its print area it is used, from 0 to 1.

    Reads the drawing orders of the PDF as the system's Chromium writes it (ISO 32000-1, 8.2 and 9.4).
    """

    def each(pdf):
        held = {int(m[1]): m[2] for m in re.finditer(rb"(?m)^(\d+) 0 obj\b(.*?)^endobj", pdf, re.S)}
        for page in (o for o in held.values() if re.search(rb"/Type\s*/Page\b", o)):
            tall = float(re.search(rb"/MediaBox\s*\[0 0 [\d.]+ ([\d.]+)\]", page)[1])
            orders = held[int(re.search(rb"/Contents (\d+) 0 R", page)[1])]
            orders = zlib.decompressobj().decompress(orders.partition(b"stream")[2].lstrip(b"\r\n"))
            yield (tall - MARGIN - _lowest(orders, tall)) / (tall - 2 * MARGIN)

    return lambda pdf: list(each(pdf))


def _lowest(orders, tall):
    """The lowest place drawn to on a sheet, above its lower edge [pt]; white is not seen."""
    here, kept, path, held, white, low = (1, 0, 0, 1, 0, 0), [], [], [], False, tall
    for word in re.findall(rb"[^\s\[\]<>()/]+", orders):
        if re.fullmatch(rb"[-+.\d]+", word):
            held.append(float(word))
            continue
        if word == b"q":
            kept.append((here, white))
        elif word == b"Q":
            here, white = kept.pop()
        elif word == b"cm":
            here = _turned(held[-6:], here)
        elif word == b"rg":
            white = held[-3:] == [1, 1, 1]
        elif word in (b"m", b"l", b"c"):
            path.append(_turned((1, 0, 0, 1, *held[-2:]), here)[5])
        elif word == b"re":
            x, y, across, up = held[-4:]
            path += [_turned((1, 0, 0, 1, *at), here)[5] for at in ((x, y), (x + across, y + up))]
        elif word == b"Tm":
            low = min(low, _turned(held[-6:], here)[5])
        elif word in (b"f", b"f*", b"S", b"B", b"B*", b"n"):
            seen = path if word == b"S" or not (white or word == b"n") else []
            low, path = min([low, *seen]), []
        held = []
    return low


def _turned(first, then):
    """One transformation after another, each as PDF writes it: a b c d e f."""
    (a, b, c, d, e, f), (g, h, i, j, k, m) = first, then
    return a * g + b * i, a * h + b * j, c * g + d * i, c * h + d * j, e * g + f * i + k, e * h + f * j + m
