"""The quick search for identifiers in many texts finds what one text at a time finds."""

import numpy as np
import pandas as pd

from analysis.cohort.recognition.cell_rules import first_rule
from analysis.cohort.recognition.identifier_rules import VALUE_RULES

TEXTS = [
    "jane@example.org", "https://x.org/p/1", "10.1.2.3", "078-05-1120", "+44 20 7946 0958", "2024-03-01", "March 3, 2024",
    "MRN 123456", "SN: A1B2-0042", "Dr. Miller", "12 Main Street", "12345-6789", "left", "é MRN 123456 é", "a\nb", "",
    "\x0b2024-03-01", "Zoë", "P001", None,
]  # fmt: skip


def test_many_at_once_and_one_at_a_time():
    rng = np.random.default_rng(1)
    cut = [text[: rng.integers(len(text) + 1)] + rng.choice(list("1é-. @\n")) + text[3:] for text in TEXTS if text]
    texts = pd.Series([*TEXTS, *cut] * 80, dtype="str")
    for limited in (False, True):
        many = first_rule(texts, limited=limited)
        assert len(texts) > 2_000
        few = np.concatenate([first_rule(texts[i : i + 50], limited=limited) for i in range(0, len(texts), 50)])
        np.testing.assert_array_equal(many, few)
        assert (many >= 0).any()


def test_the_rule_is_the_first_that_fits_and_dates_may_stay_where_limited():
    places = first_rule(pd.Series(TEXTS), limited=False)
    assert VALUE_RULES[places[0]].what == "an e-mail address"
    assert places[12] == places[-1] == -1
    date = TEXTS.index("2024-03-01")
    assert VALUE_RULES[places[date]].what == "a date"
    assert first_rule(pd.Series(TEXTS), limited=True)[date] == -1
