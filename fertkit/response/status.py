"""What may honestly be said of a rate: its status, what it means, and how tables and figures say it."""

from enum import StrEnum


class Status(StrEnum):
    """Status of an optimum rate; as text it is the word tables carry."""

    INTERIOR = "interior"
    NONE = "no economic response"
    TOP = "at least the highest rate"
    STEP = "at most the first rate"
    DIFFERENCE = "difference only"
    UNPAID = "pass not paid"
    ENDLESS = "no finite maximum"
    TIE = "tie"
    REFUSED = "not usable"

    @property
    def meaning(self) -> str:
        """What it means, as part of a sentence."""
        return _MEANINGS[self]


def status_in_words(word: str) -> str:
    """Say a status as tables and figures for people do."""
    return "inside the tested rates" if word == Status.INTERIOR else str(word)


_MEANINGS = {
    Status.INTERIOR: "net return is greatest inside the tested rates",
    Status.NONE: "no tested rate returns more than the lowest",
    Status.TOP: "net return still rises at the highest rate tested",
    Status.STEP: "all of the response is reached by the first rate above the lowest",
    Status.DIFFERENCE: "two rates give a difference, not a curve; the better of the two is named",
    Status.UNPAID: "the gain does not pay for the application pass: applying nothing returns most",
    Status.ENDLESS: "at least the highest rate tested: the curve as fitted never stops paying",
    Status.TIE: "several rates return the same; the lowest of them is given",
    Status.REFUSED: "no answer can be given; the reason is told beside it",
}
