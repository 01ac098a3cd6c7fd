"""Straw, stover and forage: what baling removes, against figures printed by the publications (P)."""

import pytest

from fertkit.budget import nutrient_budget
from fertkit.budget.ledger import season_book
from fertkit.errors import LookupFailed


def test_baled_stover(one):
    # checks 2 and 3, P IPNI2008: 200 bu of corn hold 220 lb K2O in all stover; half of it baled takes 110
    assert one(nutrient_budget("corn", 200, residue=1), "K2O", "IPNI2008", "baled") == pytest.approx(220)
    half = nutrient_budget("corn", 200, residue=0.5)
    assert one(half, "K2O", "IPNI2008", "baled") == pytest.approx(110)
    assert one(half, "K2O", "IPNI2008", "removed") == pytest.approx(54 + 110)


def test_straw_by_weight(one):
    # check 15, P PSU_STRAW: 2 tons of straw left on the field keep 40 lb K2O there; baled, they take it away
    kept = nutrient_budget("wheat", 80, residue_ton_ac=2)
    assert one(kept, "K2O", "PSU_STRAW", "stays") == pytest.approx(40)
    baled = nutrient_budget("wheat", 80, residue=1, residue_ton_ac=2)
    assert one(baled, "K2O", "PSU_STRAW", "baled") == pytest.approx(40)


def test_corn_residue_potassium(one):
    # check 41, D MALLARINO2012: 49 lb K2O is 41 % of what is left at maturity, 170 bu
    budget = nutrient_budget("corn", 170)
    assert one(budget, "K2O", "MALLARINO2012", "stays") == pytest.approx(49 / 0.41, abs=1)


def test_with_straw_baled_it_is_the_harvest_that_removes():
    # corn K2O: removal is of another source than uptake, so the sentence names what takes it off
    for residue, what in (("kept", "removed with the grain"), (0.8, "removed with the harvest")):
        said = nutrient_budget("corn", 200, residue=residue).summary()
        assert what in said
        assert said.count("removed with the") == said.count(what)


def test_straw_holds_what_is_there_at_harvest_and_not_the_season_maximum():
    # P OSU_KNOX2023: 80 bu of wheat hold 0.25 lb K2O a bushel in grain and 29 lb a ton in straw; dry straw is
    # as heavy as dry grain: 4800 lb x .865 = 4152 lb or 2.076 tons
    budget = nutrient_budget("winter wheat", 80, residue=1)
    shown = budget.defaults.set_index("nutrient")
    assert shown.loc["K2O", "removed_source"] == "OSU_KNOX2023"
    assert shown.loc["K2O", "removed"] == pytest.approx(80 * 0.25 + 2.076 * 29)
    half = nutrient_budget("winter wheat", 80, residue=0.5).defaults.set_index("nutrient")
    assert half.loc["K2O", "removed"] == pytest.approx(80 * 0.25 + 2.076 * 29 / 2)
    # P ECANADA2001 of N, which wheat does not lose: grain and straw are all of it
    assert shown.loc["N", "removed"] == pytest.approx(shown.loc["N", "uptake"])
    [note] = [text for text in budget.notes if "OSU_KNOX2023" in text]
    assert note.startswith("K2O: leaves lose some before harvest")
    assert "removed with the harvest" in budget.summary()
    # kept straw: removal, uptake and what stays are as before
    assert not nutrient_budget("winter wheat", 80).notes


def test_stover_of_soybean_is_by_the_study_of_harvest():
    # P KSU_SOY, 40 bu: 30 and 50 lb in the grain, 10 and 40 lb in the stover; at 60 bu half as much again
    budget = nutrient_budget("soybean", 60, residue=1)
    shown = budget.defaults.set_index("nutrient")
    assert shown.loc[["P2O5", "K2O"], "removed"].tolist() == pytest.approx([1.5 * 40, 1.5 * 90])
    assert shown.loc["N", "removed_source"] == ""  # nobody prints N in stover
    assert any("removal with residue is not published" in text for text in budget.notes)


def test_the_book_of_a_season_counts_straw_as_it_is_at_harvest():
    budget = nutrient_budget("winter wheat", 80, residue=1)
    book = season_book(budget, "K2O", 60.0, budget.pounds, 0.5)
    assert book.removed == pytest.approx(80 * 0.25 + 2.076 * 29)
    assert (book.cost, book.balance) == pytest.approx((30.0, 60 - book.removed))


def test_straw_without_a_published_loss_is_at_most_uptake_less_grain():
    # ECANADA2001: barley, and no study of what it loses; straw by IPNI2014 39 and RB209 20 lb K2O a ton
    budget = nutrient_budget("barley", 90, residue=1)
    assert {"N", "K2O"} <= set(budget.at_most_removed)
    [line] = [text for text in budget.summary().splitlines() if text.strip().startswith("K2O  ")]
    assert "at most 111 removed" in line
    [note] = [text for text in budget.notes if "the most it can hold" in text]
    assert "20 to 39 K2O" in note
    assert not nutrient_budget("barley", 90).at_most_removed
    # GREGORY1979 measured what wheat loses of K and S
    assert not {"K2O", "S"} & set(nutrient_budget("wheat", 80, residue=1).at_most_removed)


def test_straw_is_asked_for_with_its_grain():
    with pytest.raises(LookupFailed, match=r"counted with its grain.*share of straw baled"):
        nutrient_budget("wheat", 2, "ton/ac", part="straw")


def test_forage_carries_its_cautions_and_grain_none():
    # CLEMSON_NITRATE: safe to 1,000 mg/kg NO3-N; OSU_NITRATE: normal below 700
    silage = nutrient_budget("corn", 25, "ton/ac", part="silage")
    assert "1,000" in silage.summary()
    assert "700" in silage.summary()
    assert {"CLEMSON_NITRATE", "OSU_NITRATE"} <= set(silage.sources["source_key"])
    assert nutrient_budget("corn", 200).cautions.empty
    assert "nitrate in forage" in set(nutrient_budget("corn", 200, residue=0.5).cautions["topic"])
