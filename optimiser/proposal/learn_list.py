"""One list of what to learn next: what earlier ones were worth, the looks, their sheets, the record."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from optimiser.history.read import History
from optimiser.proposal.cache import FOLDER as KEPT
from optimiser.proposal.cache import read_found
from optimiser.proposal.learn import best_within
from optimiser.proposal.learn_record import (
    Followed,
    Listed,
    Listing,
    followed,
    is_blank,
    keep_listings,
    read_listings,
    repeatabilities,
    standing_of,
)
from optimiser.proposal.learn_sheets import write_sheets
from optimiser.proposal.learn_worth import Searched, looks_of
from optimiser.proposal.propose import Case
from optimiser.proposal.record import Proposal
from optimiser.recipe.table import Recipe


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnList:
    """What is worth looking at, each with its sheet, and what earlier looks were worth."""

    listed: tuple[Listed, ...]
    followed: tuple[Followed, ...]


def make_list(
    history: History,
    live: Recipe,
    cases: Sequence[Case],
    proposals: Sequence[Proposal],
    *,
    hours: float,
    day: str,
    on_done: Callable[[str], None] = lambda _: None,
) -> LearnList:
    """Return the looks that are worth most within some hours, their sheets written and kept.

    Parameters
    ----------
    history : History
    live : Recipe
    cases : sequence of Case
    proposals : sequence of Proposal
        Of these cases; their searches are kept.
    hours : float
    day : str
        That the list bears.
    on_done : callable
        Told each family as it is weighed.

    Returns
    -------
    LearnList
    """
    plant = history.plant
    of = {p.family: p for p in proposals}
    families: list[Searched] = [
        (c, of[c.tally.family], read_found(plant.folder / KEPT, c)) for c in cases
    ]
    earlier = read_listings(plant)
    told = followed(history, live, families, earlier)
    looks = best_within(looks_of(history, live, families, on_done=on_done), hours)
    replaced = bool(earlier) and is_blank(plant, earlier[-1])
    listed = write_sheets(history, live, families, looks, earlier)
    if listed:
        new = Listing(
            day=day,
            listed=listed,
            standing=standing_of(families),
            repeatability=repeatabilities(plant),
        )
        keep_listings(plant, [*(earlier[:-1] if replaced else earlier), new], told)
    return LearnList(listed=listed, followed=tuple(told))
