"""One name in several spellings: blanks, forms of one character, capitals, letters that look alike."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.recognition.spellings import fold, fold_names, same_to_the_eye, surely_distinct


@pytest.mark.parametrize(
    ("written", "folded"),
    [
        ("usual", "usual"),
        ("usual ", "usual"),
        ("\u00a0usual\u2003care\t", "usual care"),
        ("ｕｓｕａｌ", "usual"),  # full-width letters
        ("usual\u200b\ufeff", "usual"),  # no width
        ("cafe\u0301", "caf\u00e9"),
        ("Usual", "Usual"),  # capitals stay, a warning says so
        ("usu\u0430l", "usu\u0430l"),  # a Cyrillic a stays, a warning says so
        (" \u00a0", ""),
    ],
)
def test_fold(written, folded):
    assert fold(written) == folded


@pytest.mark.parametrize("dtype", ["str", "category"])
def test_names_are_folded_and_counted(dtype):
    names = pd.Series(["usual", "usual ", None, "ｕｓｕａｌ", " early", "\u00a0"], dtype=dtype)
    found = fold_names(names)
    assert found.names.astype("object").where(found.names.notna(), None).tolist() == (
        ["usual", "usual", None, "usual", "early", None]
    )
    assert (found.n_cells, found.n_joined) == (4, 1)
    again = fold_names(found.names)
    assert (again.n_cells, again.n_joined) == (0, 0)


@pytest.mark.parametrize(
    ("one", "other", "how"),
    [
        ("usual", "Usual", "capitals"),
        ("usual", "usual\u00a0", "blanks"),
        ("usual", "usu\u0430l", "letters that look alike"),  # Cyrillic
        ("ABC", "\u0410\u0412\u0421", "letters that look alike"),  # capitals of Cyrillic
        ("usual", "Usu\u0430l", "letters that look alike"),  # and a capital
        ("\u03bfne", "one", "letters that look alike"),  # Greek
        ("P01", "PO1", "letters that look alike"),
        ("P1", "Pl", "letters that look alike"),
        ("Straße", "STRASSE", "capitals"),
    ],
)
def test_names_that_a_reader_takes_for_one(one, other, how):
    ((first, second, said),) = same_to_the_eye(["quite another", one, other])
    assert (first, second) == (1, 2)
    assert how in said


def test_names_that_a_reader_tells_apart():
    assert same_to_the_eye(["usual", "early", "P1", "P2", "P10", "\u0443тро", "день", "", "site\n1", "site 2"]) == []


def test_the_table_is_that_of_unicode():
    # rows of confusables.txt, Unicode Technical Standard 39, version 17.0.0
    for letter, prototype in (("\u0440", "p"), ("\u03bd", "v"), ("\u0406", "l"), ("\u0415", "E"), ("m", "rn")):
        assert len(same_to_the_eye([f"x{letter}", f"x{prototype}"])) == 1


def test_what_is_surely_distinct_is_never_the_same_to_the_eye():
    random = np.random.default_rng(1)
    letters = list("01IlOomrn|aAbB")
    surely = 0
    for _ in range(400):
        names = list({"".join(random.choice(letters, random.integers(1, 4))) for _ in range(random.integers(2, 6))})
        surely += surely_distinct(pd.Series(names))
        assert surely_distinct(pd.Series(names)) <= (same_to_the_eye(names) == [])
    assert surely > 50
