"""Whether the reviewers' rates in the plant file fit the labels, over all families."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from optimiser.evidence.stated_rates import Fit, Zones, false_alarms, fit_words, misses, zones_of
from optimiser.proposal.propose import Case
from optimiser.search.misread import (
    FirstLabels,
    chance_to_be_true,
    exceedance,
    first_labels,
    fitted_false_alarm_rate,
)
from optimiser.tally.count import FamilyTally

FEWEST_NEAR = 200
NO_LABELS = Zones(labels_near=0, labels_far=0, goods_near=0, goods_far=0, goods=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What the labels say of the stated rates.

    Attributes
    ----------
    false_alarms, misses : Fit or None
        Over the plant's families that state the plant's own rates.
    families : dict of str to Fit
        Misread goods by family, at the family's stated rate; those with enough called goods.
    looked_again, misread : int
        Labels of review that were looked at again in those same families, and found misread.
    """

    false_alarms: Fit | None
    misses: Fit | None
    families: dict[str, Fit]
    looked_again: int = 0
    misread: int = 0

    @property
    def contradicted(self) -> bool:
        """Whether any stated rate is contradicted."""
        return any(f.contradicted for f in self._all())

    @property
    def is_notable(self) -> bool:
        """Whether a rate is contradicted, or nobody knows one that the labels speak of."""
        alarms = self.false_alarms
        return self.contradicted or bool(alarms and not alarms.stated and alarms.found.value)

    def _all(self) -> list[Fit]:
        return [f for f in (self.false_alarms, self.misses, *self.families.values()) if f]

    def words(self) -> list[str]:
        """Return it as sentences."""
        # Each family has its own chance of being wrong: said only where all together hold it.
        least = 0.01 / max(len(self.families), 1)
        where = [n for n, f in self.families.items() if min(f.too_low, f.too_high) < least]
        looked = self.misread, self.looked_again
        return fit_words(self.false_alarms, self.misses, where, looked=looked)


def check_stated(cases: Sequence[Case]) -> Stated:
    """Return whether the reviewers' rates in the plant file fit the labels.

    Parameters
    ----------
    cases : sequence of Case
        One plant's families.

    Returns
    -------
    Stated
    """
    if not cases:
        return Stated(false_alarms=None, misses=None, families={})
    file = cases[0].plant.file
    zones = {case.tally.family: _zones(case.tally) for case in cases}
    # Their kernels are dear, and nobody asks for them where no label was looked at again.
    again = any(of.misread + of.confirmed for of in zones.values())
    labels = {case.tally.family: first_labels(case.tally) for case in cases} if again else {}
    families = {}
    for name, of in zones.items():
        fitted = _fitted([name], zones, labels)
        own = false_alarms(of, file.review_of(name).false_alarm_rate, fitted=fitted)
        if own is not None and of.goods_near >= FEWEST_NEAR:
            families[name] = own
    alike = [case for case in cases if file.review_of(case.tally.family) == file.review]
    names = [case.tally.family for case in alike]
    total = sum((zones[name] for name in names), NO_LABELS)
    stated = file.review.false_alarm_rate
    alarms = false_alarms(total, stated, fitted=_fitted(names, zones, labels))
    # What is misread is not found by review: by the rate that holds, as far as labels tell.
    rate = stated
    if alarms is not None and (alarms.contradicted or not stated):
        rate = alarms.found.value
    found = [_called_defects(case, rate) for case in alike]
    return Stated(
        false_alarms=alarms,
        misses=misses(
            sum(later for later, _ in found),
            sum(reviewed for _, reviewed in found),
            coverage=file.labels.test_coverage,
            stated=file.review.miss_rate,
        ),
        families=families,
        looked_again=total.misread + total.confirmed,
        misread=total.misread,
    )


def _zones(tally: FamilyTally) -> Zones:
    far = exceedance(tally)
    return zones_of(far.labels, far.is_real, far.goods, far.count)


def _fitted(
    names: Sequence[str], zones: Mapping[str, Zones], labels: Mapping[str, FirstLabels]
) -> float | None:
    """Return the rate that families fit of whose labels some were looked at again; None where none was."""
    if not any(zones[name].misread + zones[name].confirmed for name in names):
        return None
    rate = fitted_false_alarm_rate([labels[name] for name in names])
    return None if np.isnan(rate) else rate


def _called_defects(case: Case, false_alarm_rate: float) -> tuple[int, float]:
    """Return called defects that test found, and those that review found, misread taken off."""
    frame = case.tally.defects.frame
    called = frame["live_called"].to_numpy(dtype=bool)
    true = chance_to_be_true(case.tally, false_alarm_rate)
    by_test = called & (frame["found_by"] == "test").to_numpy()
    by_review = called & frame["found_by"].isin(["review", "second look"]).to_numpy()
    return int(by_test.sum()), float(np.sum(true[by_review]))
