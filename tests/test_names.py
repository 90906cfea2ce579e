"""Who may be whom: names against Unicode's own table and a count of slips made by other means."""

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimiser.plant.names import (
    RESERVED,
    clearly_different,
    is_reserved,
    listed_spelling,
    look_alike,
    skeleton,
)

# From confusables.txt of UTS #39 (from memory): Cyrillic and Greek small letters and what they
# are confused with.
CONFUSED = {
    **dict(zip("аеорсухѕј", "aeopcyxsj", strict=True)),
    **dict(zip("ονρ", "ovp", strict=True)),
}


@pytest.mark.parametrize(("strange", "plain"), CONFUSED.items())
def test_letters_that_unicode_calls_confusable_are_one(strange, plain):
    assert strange != plain
    assert skeleton(f"Be{strange}te") == skeleton(f"Be{plain}te")


@pytest.mark.parametrize(
    ("spelling", "plain"),
    [
        ("ADA QUILL", "ada quill"),
        ("  Ada\t Quill\u00a0", "ada quill"),
        ("Ada-Quill", "ada quill"),
        ("Quill,Ada", "quill ada"),
        ("A.Quill", "a quill"),
        ("Ad\u200ba", "ada"),  # a blank of no width
        ("A\u00adda", "ada"),  # a hyphen that is seen at a line's end alone
        ("Ad\u00e1", "ada"),
        ("Ada\u0301", "ada"),  # the accent as a character of its own
        ("\u00c1da Que\u0301ll", "ada quell"),
        ("\uff21\uff24\uff21", "ada"),  # as wide as Chinese letters
        ("Stra\u00dfe", "strasse"),
        ("B0b", "bob"),
        ("1da", "ida"),
        ("Ida", "lda"),
        ("Ada 22", "ada 22"),
        ("Marn", "mam"),  # m is confused with r and n
        ("\u043b\u044f", "\u1d2b\u1d19"),  # two letters each confused with the other alone
        ("\u03b5", "\u0454"),  # Greek and Cyrillic, both confused with one Latin letter
        ("\u674e\u96f7", "\u674e\u96f7"),
    ],
)
def test_spellings_of_one_name_have_one_skeleton(spelling, plain):
    assert skeleton(spelling) == skeleton(plain)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Ada Quill", "AdaQuill"),
        ("Ada", "Adb"),
        ("Ada 2", "Ada 3"),
        ("\u674e", "\u96f7"),
        ("", "a"),
    ],
)
def test_what_looks_different_has_another_skeleton(one, other):
    assert skeleton(one) != skeleton(other)


def test_a_skeleton_is_plain_letters_with_one_blank_between_words():
    assert skeleton("  Ad\u00e1 --  Bea 22.") == "ada bea 22"
    assert skeleton(" -.\u200b ") == ""


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Anna", "Ann"),  # short words: no slip is forgiven
        ("Anna", "Anne"),
        ("Marta Fenn", "Marco Fenn"),  # two letters other
        ("Martha Fenn", "Mart Fenn"),  # two letters less
        ("Abcde Fenn", "Bacdf Fenn"),  # turned, and one other
        ("Ada Ada", "Ada Fenn"),  # one word stands for one word
        ("Ada B.", "Ada C."),
        ("B. Fenn", "Ada Fenn"),
        ("Ada Fenn", "Bea Marsh"),
        ("R. Fenn", "Maria Fenn"),
        ("Emma", "Ema"),
    ],
)
def test_two_people_are_clearly_different(one, other):
    assert clearly_different(one, other)
    assert clearly_different(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("Marta", "Mart"),  # a word of five may have lost one
        ("Marta", "Marte"),
        ("Xarta", "Marta"),
        ("Abcde", "Bacde"),  # turned at the start, within, at the end
        ("Abcde", "Abdce"),
        ("Abcde", "Abced"),
        ("Abcde", "Abde"),
        ("Bcdef", "Abcdef"),
        ("A. Ada", "Ada Arne"),  # the initial is Arne's: the first word that fits is not Ada's
        ("Ada", "Fenn, Ada"),
        ("A", "A"),
        ("M. Fenn", "Maria Fenn"),  # m is confused with r and n, and is one letter all the same
        ("Fenn M", "Mo Fenn"),
        ("Barnes", "Baines"),
        ("", "Ada"),  # says nothing of who it is
    ],
)
def test_what_may_be_one_person_is_not_clearly_different(one, other):
    assert not clearly_different(one, other)
    assert not clearly_different(other, one)


def slips(one, other):
    """Return the restricted Damerau-Levenshtein distance (its textbook recurrence)."""
    d = {(i, 0): i for i in range(len(one) + 1)} | {(0, j): j for j in range(len(other) + 1)}
    for i, a in enumerate(one, 1):
        for j, b in enumerate(other, 1):
            d[i, j] = min(d[i - 1, j] + 1, d[i, j - 1] + 1, d[i - 1, j - 1] + (a != b))
            if i > 1 and j > 1 and (a, b) == (other[j - 2], one[i - 2]):
                d[i, j] = min(d[i, j], d[i - 2, j - 2] + 1)
    return d[len(one), len(other)]


def may_be_one(one, other):
    """Return whether two words may be one: an initial, or one slip in words longer than four."""
    initial = 1 in (len(one), len(other)) and one[0] == other[0]
    return one == other or initial or (max(len(one), len(other)) > 4 and slips(one, other) <= 1)


WORDS = st.text("abd", min_size=1, max_size=6)
NEAR = WORDS.flatmap(lambda w: st.tuples(st.just(w), st.permutations(w).map("".join) | WORDS))


@given(NEAR | st.tuples(WORDS, WORDS))
def test_a_slip_of_the_pen_is_one_edit_or_two_letters_turned(pair):
    one, other = pair
    assert clearly_different(one, other) != may_be_one(one, other)


@given(st.lists(WORDS, min_size=1, max_size=3), st.lists(WORDS, min_size=1, max_size=3))
def test_names_are_compared_word_by_word_in_any_order(one, other):
    few, many = sorted((one, other), key=len)
    fits = any(
        all(may_be_one(a, b) for a, b in zip(few, order, strict=True))
        for order in permutations(many, len(few))
    )
    assert clearly_different(" ".join(one), " ".join(other)) != fits


def test_nobody_signs_under_a_name_of_no_person():
    assert all(is_reserved(name.upper()) for name in RESERVED)
    assert is_reserved("n\u0456ght")  # with a Cyrillic i
    assert not is_reserved("Knight")
    assert not is_reserved("Nigh")


def test_a_listed_name_is_found_under_any_spelling():
    names = ("Ada Quill", "Bo Marsh")
    assert listed_spelling("bo  MARSH", iter(names)) == "Bo Marsh"
    assert listed_spelling("Ada Quill", names) == "Ada Quill"
    assert listed_spelling("A. Quill", names) is None
    assert listed_spelling("Ada", ()) is None


def test_names_of_a_list_that_look_alike_are_told():
    assert look_alike(["Ada Quill", "Bo Marsh", "Cy Fenn"]) is None
    assert look_alike(["Ada Quill", "Bo Marsh", "ada quill"]) == ("Ada Quill", "ada quill")
    assert look_alike([]) is None
