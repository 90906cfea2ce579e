"""Who signs: names that nobody can mistake for another, and names that no person may use.

Two spellings are one person where an eye takes them for the same: look-alike letters of other
alphabets, letters that nobody sees, case, accents, punctuation, blanks. Where a plant lists its
signers, only a listed name signs, under its listed spelling. Where it lists none, a name counts as
another person's only if it is clearly different: not another order of the same words, an initial
for a name, a word more or less, or a single slip of the pen.

Look-alikes are folded as the skeleton of UTS #39 does: every character by the one it is confused
with, decomposed before and after.
"""

import unicodedata
from collections.abc import Iterable
from functools import cache

from confusable_homoglyphs.confusables import confusables_data

RESERVED = ("night", "optimiser", "system", "admin", "root", "nobody", "anybody", "unknown")
"""Names of no person; ``night`` signs what the unattended run writes."""
_ALIKE = str.maketrans({"i": "l", "1": "l", "0": "o"})
"""Look alike in one case or the other: a capital i and a small l."""
_WIDE, _PAIR = "m", "rn"
"""A letter whose prototype is two: as one letter it is an initial, and one slip away from another."""
_SHORT = 4
"""Words up to this length have no slip of the pen forgiven: Ann and Anna may be two people."""


def skeleton(name: str) -> str:
    """Return what is equal for all spellings of a name that look alike.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
        Words of letters and digits without case and accents, one blank between them; for
        comparing, never to be shown.

    References
    ----------
    .. [1] Unicode Technical Standard #39, Unicode Security Mechanisms, 4: Confusable Detection.

    Examples
    --------
    >>> skeleton("Аdа  Quill.") == skeleton("ada quill")  # the first with Cyrillic А and а
    True
    """
    # Case first: capital letters that look alike need not have small ones that do.
    plain = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", name).casefold())
    folded = unicodedata.normalize("NFD", "".join(_prototype(c) for c in plain)).casefold()
    seen = "".join(_plain(c) for c in folded).translate(_ALIKE)
    return " ".join(seen.split())


def _plain(character: str) -> str:
    """Return a letter or digit as it is, nothing for marks and what nobody sees, else a blank."""
    kind = unicodedata.category(character)
    if kind[0] in "LN":
        return character
    return "" if kind[0] == "M" or kind == "Cf" else " "


@cache
def _prototype(character: str) -> str:
    """Return the character, or characters, that one is confused with; of a pair the first."""
    alike = [str(x["c"]).strip("\u200e") for x in confusables_data.get(character, ())]
    if len(alike) != 1:
        return character
    (other,) = alike
    pair = len(confusables_data.get(other, ())) == 1
    return min(character, other) if pair else other


def is_reserved(name: str) -> bool:
    """Return whether a name is one that no person may sign with."""
    return skeleton(name) in {skeleton(r) for r in RESERVED}


def clearly_different(one: str, other: str) -> bool:
    """Return whether two names can only be those of two people.

    Parameters
    ----------
    one, other : str

    Returns
    -------
    bool

    Examples
    --------
    >>> clearly_different("Ada Quill", "Bo Marsh")
    True
    >>> [clearly_different("Ada Quill", x) for x in ("Quill, Ada", "A. Quill", "Ada", "Ada Quil")]
    [False, False, False, False]
    """
    words = (skeleton(name).replace(_PAIR, _WIDE).split() for name in (one, other))
    few, many = sorted(words, key=len)
    return not _fit(few, many)


def _fit(few: list[str], many: list[str]) -> bool:
    """Return whether each word of the shorter name stands for a word of its own of the longer."""
    if not few:
        return True
    first, rest = few[0], few[1:]
    return any(
        _same_word(first, word) and _fit(rest, [*many[:n], *many[n + 1 :]])
        for n, word in enumerate(many)
    )


def _same_word(one: str, other: str) -> bool:
    """Return whether two words may be one: equal, an initial, or a single slip apart."""
    if one == other or (1 in (len(one), len(other)) and one[0] == other[0]):
        return True
    if max(len(one), len(other)) <= _SHORT:
        return False
    return _one_slip(one, other) or _one_slip(*(w.replace(_WIDE, _PAIR) for w in (one, other)))


def _one_slip(one: str, other: str) -> bool:
    """Return whether one letter more, less, other or two letters turned make one of the other."""
    if abs(len(one) - len(other)) > 1:
        return False
    start = next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), None)
    if start is None:
        return True
    a, b = one[start:], other[start:]
    return a[1:] == b[1:] or a[1:] == b or a == b[1:] or (a[1::-1] == b[:2] and a[2:] == b[2:])


def listed_spelling(name: str, names: Iterable[str]) -> str | None:
    """Return the listed spelling of a name; None where it is not listed.

    Parameters
    ----------
    name : str
    names : iterable of str

    Returns
    -------
    str or None
    """
    wanted = skeleton(name)
    return next((known for known in names if skeleton(known) == wanted), None)


def look_alike(names: Iterable[str]) -> tuple[str, str] | None:
    """Return two names of a list that look alike; None where all differ.

    Parameters
    ----------
    names : iterable of str

    Returns
    -------
    (str, str) or None
    """
    seen: dict[str, str] = {}
    for name in names:
        other = seen.setdefault(skeleton(name), name)
        if other is not name:
            return other, name
    return None
