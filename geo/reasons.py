"""Sentences that say why, with what each is about: nobody looks for words in them."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum


class About(Enum):
    """What a reason is about, for those who pick it out of several."""

    OTHER = ""
    #: What too little and too much cost, and so which quantile is taken.
    COSTS = "costs"
    #: The least that a spreader throws evenly.
    LEAST = "least"
    #: Lime on file that has not reacted yet.
    CREDIT = "credit"
    #: What the grower spread after the sampling.
    SPREAD_SINCE = "spread since"
    #: What the block itself has answered, beside the table.
    RESPONSE = "response"
    #: That the block has not fully answered what was spread.
    EARLY = "early"


class Reason(str):
    """A sentence, and what it is about.

    Whoever shows reasons takes them as the text they are; whoever wants some of them asks
    `reasons_about`.

    Examples
    --------
    >>> said = Reason("That was the grower's own decision.", About.SPREAD_SINCE)
    >>> print(said)
    That was the grower's own decision.
    >>> said.about
    <About.SPREAD_SINCE: 'spread since'>
    """

    about: About

    def __new__(cls, text: str, about: About = About.OTHER) -> Reason:
        """The text as a reason."""
        reason = super().__new__(cls, text)
        reason.about = about
        return reason


def about_of(reason: str) -> About:
    """What a reason is about; plain text is about nothing in particular."""
    return reason.about if isinstance(reason, Reason) else About.OTHER


def reasons_about(reasons: Iterable[str], *wanted: About) -> list[str]:
    """Those of several reasons that are about one of these, in their order."""
    return [reason for reason in reasons if about_of(reason) in wanted]
