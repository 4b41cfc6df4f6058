"""Numbers at the edges of their rules: as a reader should find them."""

import pytest

from analysis.report.parts import numbers


@pytest.mark.parametrize(
    ("value", "decimals", "shown"),
    [
        (9_999, 0, "9999"), (9_999.4, 0, "9999"), (9_999.5, 0, "10,000"), (10_000, 0, "10,000"), (-12_345, 0, "−12,345"),
        (-0.04, 1, "0.0"), (0.0, 2, "0.00"), (float("-inf"), 1, "−∞"), (None, 1, "–"),
    ],
)  # fmt: skip
def test_a_number(value, decimals, shown):
    assert numbers.number(value, decimals) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.0, "0 %"), (0.004, "0.4 %"), (0.005, "0.5 %"), (0.015, "2 %"), (0.994, "99 %"), (0.996, "99.6 %"),
     (1.0, "100 %")],
)  # fmt: skip
def test_a_share_is_0_or_100_per_cent_only_where_it_is(value, shown):
    assert numbers.share(value) == shown


@pytest.mark.parametrize(
    ("value", "shown"),
    [(0.99, "under 1st"), (1, "1st"), (2.4, "2nd"), (3, "3rd"), (4, "4th"), (11, "11th"), (12, "12th"), (13, "13th"),
     (21, "21st"), (99, "99th"), (99.01, "over 99th")],
)  # fmt: skip
def test_a_centile(value, shown):
    assert numbers.centile(value) == shown


@pytest.mark.parametrize(("value", "shown"), [(0.00099, "<0.001"), (0.001, "0.001"), (0.0496, "0.050"), (1, "1.000")])
def test_a_p_value(value, shown):
    assert numbers.p_value(value) == shown


@pytest.mark.parametrize(
    ("n", "shown"), [(0, "0 patients"), (1, "1 patient"), (2, "2 patients"), (10_000, "10,000 patients")]
)
def test_a_count_with_its_noun(n, shown):
    assert numbers.plural(n, "patient") == shown
