"""Terms of statistics and charting in plain words, put on every page that uses them."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from html import unescape

from transfer.page import blocks
from transfer.page.blocks import Section

__all__ = ["GLOSSARY", "terms_used", "visible_text", "with_words", "words_section"]

#: Term -> (pattern that finds it, its gloss).
GLOSSARY: dict[str, tuple[str, str]] = {
    "Rep": (r"\brep\b", "Shooting practice by repetition; nobody plays to stop the shot."),
    "Live": (r"\blive\b", "Shooting practice against defenders who try to stop the shot."),
    "Player-season": (r"\bplayer-seasons?\b", "One player in one season."),
    "Interval": (
        r"\bintervals?\b",
        "The range that holds the true value with the probability beside it, given the records "
        "and the starting assumption.",
    ),
    "Equal-tailed": (
        r"\bequal-tailed\b",
        "As much probability lies below the interval as above it.",
    ),
    "Starting assumption": (
        r"\bstarting assumptions?\b|\bpriors?\b",
        "What was taken as plausible before looking at these records; also called the prior.",
    ),
    "Posterior": (r"\bposterior\b", "What is plausible after the records have been taken in."),
    "Standard deviation": (
        r"\bstandard deviations?\b|\bsd\b",
        "A usual distance from the mean, in the unit of the numbers.",
    ),
    "Standard error": (
        r"\bstandard errors?\b",
        "A usual distance of an estimate from the truth, by the luck of the counts.",
    ),
    "R²": (
        r"R²|\bR2\b",
        "The share of the differences between players' true game shooting that their true "
        "practice rates account for: 0 is none, 1 or 100 points is all.",
    ),
    "Correlation": (
        r"\bcorrelations?\b",
        "How well two rates line up over the players: 0 not at all, 1 perfectly.",
    ),
    "Logit": (
        r"\blogits?\b",
        "The logarithm of makes over misses; near a rate of one half, 0.04 is one point.",
    ),
    "Bayes factor": (
        r"\bBayes factors?\b",
        "How many times the records multiplied the odds of a statement; 1 leaves them as they are, "
        "below 1 speaks against it.",
    ),
    "Contraction": (
        r"\bcontraction\b",
        "Uncertainty after the records over uncertainty before; 1 means that nothing was learned.",
    ),
    "Log score": (
        r"\blog scores?\b",
        "The logarithm of the chance that a forecast gave to what happened; closer to zero is "
        "better.",
    ),
    "Squared error": (
        r"\bsquared errors?\b",
        "Forecast rate minus charted rate, times itself, summed over players; smaller is better.",
    ),
    "Calibration": (
        r"\bcalibrat\w+",
        "Whether things forecast at 40% happen about 40 times in 100.",
    ),
    "Binomial": (r"\bbinomial\b", "The spread that luck alone gives to makes out of attempts."),
    "Multivariate normal": (
        r"\bmultivariate normal\b",
        "A bell curve in several directions at once, here one for each setting and one for games.",
    ),
    "Likelihood": (r"\blikelihood\b", "How probable the counts are for given true rates."),
    "R-hat": (
        r"\bR-hat\b",
        "Compares separate runs of the calculation; near 1 they agree.",
    ),
    "Effective draws": (
        r"\beffective draws\b",
        "How many independent draws the calculation is worth.",
    ),
    "Divergent steps": (
        r"\bdivergent steps\b",
        "Steps at which the calculation lost its way; none are allowed.",
    ),
    "Kappa": (
        r"\bkappa\b",
        "Agreement of two charters beyond luck: 0 none, 1 complete.",
    ),
    "Pearson": (
        r"\bPearson\b|\bchi-?squared?\b|\bchi2\b",
        "A sum of squared surprises; about one per degree of freedom when only luck is at work.",
    ),
    "Over-dispersion": (
        r"\b(?:over-?dispersion|overdispersion|beta-binomial|intraclass)\b",
        "More spread between sessions than luck alone gives.",
    ),
    "SHA-256": (r"\bSHA-256\b", "A fingerprint of a file: another content, another fingerprint."),
    "Seed": (r"\bseed\b", "The number that makes the random draws the same each time."),
    "Half-life": (
        r"\bhalf-li(?:fe|ves)\b",
        "Weeks until half of what practice built up is gone again; assumed, not measured.",
    ),
    "Draws": (r"\bdraws\b", "Many possible truths that fit the records, one as likely as another."),
    "k-hat": (r"\bk-hat\b", "Whether a re-weighted answer can be trusted: above 0.7 it cannot."),
}  # fmt: skip

_HIDDEN = re.compile(r"<(style|script|svg|template)\b.*?</\1>", re.DOTALL)
_TAGS = re.compile(r"<[^>]+>")


def visible_text(page: str) -> str:
    """Text of a page as a person reads it, without drawings, styles and scripts."""
    return " ".join(unescape(_TAGS.sub(" ", _HIDDEN.sub(" ", page))).split())


def terms_used(text: str) -> list[str]:
    """Terms of the glossary that occur in a text, in the order of the glossary.

    Parameters
    ----------
    text : str
        From `visible_text`.
    """
    return [
        term
        for term, (pattern, _) in GLOSSARY.items()
        if re.search(pattern, text, re.IGNORECASE if term != "R²" else 0)
    ]


def words_section(page: str) -> Section | None:
    """Glosses of the terms that a page uses; None when it uses none.

    Parameters
    ----------
    page : str
        The rendered page. Glosses may use terms themselves, so those are looked up as well.
    """
    text = visible_text(page)
    found = terms_used(text)
    while True:
        grown = terms_used(f"{text} {' '.join(GLOSSARY[t][1] for t in found)}")
        if grown == found:
            break
        found = grown
    if not found:
        return None
    return Section(
        "words", "Words", [blocks.pairs((term, GLOSSARY[term][1]) for term in found)], "glossary"
    )


def with_words(page: Callable[[Sequence[Section]], str], parts: Sequence[Section]) -> str:
    """Render a page with the glosses of the terms that it uses at its end.

    Parameters
    ----------
    page : callable
        Renders sections as a whole page.
    parts : sequence of Section
        All sections but the glosses.
    """
    glosses = words_section(page(parts))
    return page(parts if glosses is None else [*parts, glosses])
