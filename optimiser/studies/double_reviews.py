"""Double reviews: the same items judged by several reviewers, or by one several times."""

import csv
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimiser.errors import InputError, UsageError
from optimiser.evidence.agreement import (
    appraise,
    cohen,
    cross_table,
    fleiss,
    looks_of,
    symmetry,
)

NEEDED = ("item", "reviewer", "decision")
WORDS = {"defect": True, "good": False}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reviews:
    """A complete table of reviews.

    Attributes
    ----------
    items, reviewers : tuple of str
        n items, r reviewers.
    decisions : ndarray of bool, shape (r, n, k)
        k looks of each reviewer at each item; True is defect.
    truth : ndarray of bool, shape (n,), or None
    """

    items: tuple[str, ...]
    reviewers: tuple[str, ...]
    decisions: NDArray[np.bool_]
    truth: NDArray[np.bool_] | None


def read_reviews(path: Path) -> Reviews:
    """Read double reviews from a CSV file: one row per look.

    Parameters
    ----------
    path : Path
        Columns ``item, reviewer, decision`` (``defect`` or ``good``) and, where it is known,
        ``truth`` in the same words.

    Returns
    -------
    Reviews

    Raises
    ------
    UsageError
        If there is no such file.
    InputError
        Naming file, line, value and way out: a column or word is missing, a truth contradicts
        itself, or not every reviewer looked at every item equally often.
    """
    if not path.is_file():
        msg = f"no reviews at {path}; name a CSV with the columns {', '.join(NEEDED)}"
        raise UsageError(msg)
    with path.open(encoding="utf-8-sig", newline="") as lines:
        reader = csv.DictReader(lines)
        missing = [c for c in NEEDED if c not in (reader.fieldnames or ())]
        if missing:
            msg = f"{path}, line 1: column {missing[0]!r} is missing; needed: {', '.join(NEEDED)}"
            raise InputError(msg)
        rows = [(f"{path}, line {reader.line_num}", row) for row in reader]
    looks: dict[tuple[str, str], list[bool]] = {}
    truth: dict[str, bool] = {}
    for place, row in rows:
        item, reviewer = _name(place, row, "item"), _name(place, row, "reviewer")
        looks.setdefault((reviewer, item), []).append(_word(place, row, "decision"))
        if row.get("truth"):
            said = _word(place, row, "truth")
            if truth.setdefault(item, said) != said:
                msg = f"{place}: the truth of item {item!r} was given otherwise before; correct one"
                raise InputError(msg)
    return _complete(path, looks, truth)


def _name(place: str, row: Mapping[str, str | None], column: str) -> str:
    value = (row.get(column) or "").strip()
    if not value:
        msg = f"{place}: {column} is blank; name the {column}"
        raise InputError(msg)
    return value


def _word(place: str, row: Mapping[str, str | None], column: str) -> bool:
    value = (row.get(column) or "").strip().lower()
    if value not in WORDS:
        msg = f"{place}: {column} must be one of {', '.join(WORDS)}, got {row.get(column)!r}"
        raise InputError(msg)
    return WORDS[value]


def _complete(
    path: Path, looks: Mapping[tuple[str, str], list[bool]], truth: Mapping[str, bool]
) -> Reviews:
    """Return the table; refuse it where a look is missing."""
    reviewers = tuple(sorted({r for r, _ in looks}))
    items = tuple(sorted({i for _, i in looks}))
    counts = {pair: len(looks.get(pair, ())) for pair in ((r, i) for r in reviewers for i in items)}
    often = max(counts.values(), default=0)
    short = next((pair for pair, n in counts.items() if n != often), None)
    if short is not None or not items:
        what = f"reviewer {short[0]!r}, item {short[1]!r}: {counts[short]}" if short else "none"
        msg = (
            f"{path}: every reviewer must look at every item equally often ({often} times), got "
            f"{what}; add the missing looks or leave the item out"
        )
        raise InputError(msg)
    unknown = [i for i in items if truth and i not in truth]
    if unknown:
        msg = f"{path}: truth is given for some items and not for {unknown[0]!r}; add it or leave the column out"
        raise InputError(msg)
    return Reviews(
        items=items,
        reviewers=reviewers,
        decisions=np.array([[looks[r, i] for i in items] for r in reviewers], dtype=np.bool_),
        truth=np.array([truth[i] for i in items], dtype=np.bool_) if truth else None,
    )


def judge_reviews(reviews: Reviews) -> dict[str, Any]:
    """Return how far reviewers agree, and how often they are right where the truth is known.

    Parameters
    ----------
    reviews : Reviews

    Returns
    -------
    dict
        ``items, reviewers, looks``; ``pairs`` with agreement, Cohen's kappa and Bowker's test
        on the first looks; ``fleiss`` over all looks (None with one look in all);
        ``appraisals`` per reviewer, empty without truth.
    """
    r, n, k = reviews.decisions.shape
    pairs = []
    for (a, first), (b, second) in combinations(enumerate(reviews.reviewers), 2):
        one, two = (reviews.decisions[x, :, 0].astype(np.int64) for x in (a, b))
        table = cross_table(one, two)
        pairs.append(
            {
                "pair": f"{first} and {second}",
                "agree": float((one == two).mean()),
                "kappa": asdict(cohen(table)),
                "stricter_p": symmetry(table)[2],
            }
        )
    together = reviews.decisions.transpose(1, 0, 2).reshape(n, r * k)
    appraisals = []
    if reviews.truth is not None:
        for x, name in enumerate(reviews.reviewers):
            found = appraise(reviews.decisions[x], reviews.truth)
            appraisals.append({"reviewer": name, **asdict(found)})
    return {
        "items": n,
        "reviewers": r,
        "looks": k,
        "pairs": pairs,
        "fleiss": fleiss(looks_of(together)) if r * k > 1 else None,
        "appraisals": appraisals,
    }
