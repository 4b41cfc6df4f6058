"""A column becomes its kind without losing or changing a value."""

import numpy as np
import pandas as pd
import pytest

from analysis.cohort.columns import Column, conform, convert, read_times, rows_in_words
from analysis.cohort.text_columns import ColumnSoFar
from analysis.errors import CohortError

NUMBER = Column("value", "number", "")


@pytest.mark.parametrize(
    ("cells", "numbers"),
    [
        ([" 1", "2.50 ", "-.5", "1e3", None, ""], [1, 2.5, -0.5, 1000, np.nan, np.nan]),
        (["inf", "-Infinity", "nan"], [np.inf, -np.inf, np.nan]),
        ([True, False], [np.nan, np.nan]),
        ([1, None, 3], [1, np.nan, 3]),
    ],
)
def test_numbers(cells, numbers):
    converted, _ = convert(pd.Series(cells), NUMBER)
    assert converted.dtype == "float64"
    np.testing.assert_array_equal(converted.to_numpy(), np.array(numbers, dtype=float))


def test_what_is_no_number_is_named_by_its_place():
    converted, bad = convert(pd.Series(["1", "two", "1,5", None, "0x1F", "1_000"]), NUMBER)
    assert bad.tolist() == [1, 2, 4, 5]
    assert converted.isna().tolist() == [False, True, True, True, True, True]


def test_the_message_names_rows_and_the_shape_of_what_stands_there():
    with pytest.raises(CohortError, match=r"'value' should hold numbers; 1 of 2 do not") as caught:
        conform(pd.Series(["1", "much"]), NUMBER, "visits")
    assert caught.value.where == "table visits, row 2: 'aaaa'"


def test_identifiers_that_were_read_as_numbers_are_text_without_a_decimal_point():
    assert conform(pd.Series([1.0, 20.0, None]), Column("patient_id", "text", ""), "patients").tolist()[:2] == [
        "1",
        "20",
    ]
    assert conform(pd.Series([1.5, 2.0]), Column("patient_id", "text", ""), "patients").tolist() == ["1.5", "2"]


def test_categories_keep_the_order_of_the_specification_then_of_the_data():
    limbs = Column("limb", "category", "", categories=("involved", "uninvolved", "none"))
    converted = conform(pd.Series(["left", "none", None]), limbs, "visits")
    assert converted.cat.categories.tolist() == ["involved", "uninvolved", "none", "left"]
    assert converted.isna().tolist() == [False, False, True]
    own = conform(pd.Series(pd.Categorical(["b", "a"], categories=["b", "a"])), Column("x", "category", ""), "patients")
    assert own.cat.categories.tolist() == ["b", "a"]


def test_booleans_as_people_write_them():
    converted, bad = convert(
        pd.Series(["Yes", "no", "TRUE", "0", "1.0", "", None, "maybe"]), Column("x", "boolean", "")
    )
    assert converted.dtype == "boolean"
    assert converted[:5].tolist() == [True, False, True, False, True]
    assert converted[5:].isna().all()
    assert bad.tolist() == [7]


def test_dates_are_iso_only():
    converted, bad = convert(pd.Series(["2024-03-01", "01/03/2024", None]), Column("x", "date", ""))
    assert converted[0] == pd.Timestamp(2024, 3, 1)
    assert bad.tolist() == [1]


def test_half_a_surrogate_pair_becomes_text_that_a_file_can_hold():
    assert conform(pd.Series(["a\ud800"], dtype=object), Column("x", "text", ""), "patients").tolist() == ["a?"]


def test_rows_in_words_lists_five():
    assert rows_in_words(np.array([3])) == "row 4"
    assert rows_in_words(np.arange(1200)) == "rows 1, 2, 3, 4, 5 and 1,195 more"


def test_a_time_of_the_day_may_stand_after_a_date_in_a_stated_order():
    texts = pd.Series(["03/04/2024 18:05", "25/04/2024", "3/4/2024 7:05:30", None, "soon", "31/31/2024 10:00"])
    found = read_times(texts, "%d/%m/%Y")
    expected = ["2024-04-03 18:05", "2024-04-25", "2024-04-03 07:05:30", None, None, None]
    assert [None if pd.isna(one) else one for one in found] == [
        None if one is None else pd.Timestamp(one) for one in expected
    ]


def test_a_column_of_year_month_day_is_read_whatever_order_the_other_columns_have():
    assert read_times(pd.Series(["2024-04-03T18:05", "2024-12-01"]), "%d/%m/%Y").dt.month.tolist() == [4, 12]
    mixed = read_times(pd.Series(["2024-04-03", "05/04/2024"]), "%d/%m/%Y")  # of two orders none is guessed
    assert mixed.isna().tolist() == [True, False]


@pytest.mark.parametrize("rows", [0, 3, 100])
@pytest.mark.parametrize(
    "parts",
    [
        [pd.Series([1.0, np.nan]), pd.Series([-0.0]), pd.Series([], dtype="float64"), pd.Series([7.5, 2.0])],
        [pd.Series([None, "b"], dtype="category"), pd.Series(["a", "b"], dtype="category"), pd.Series(["b"], dtype="category")],
        [pd.Series(["x", None], dtype="str"), pd.Series(["y"], dtype="str")],
        [pd.Series([True, None], dtype="boolean"), pd.Series([False], dtype="boolean")],
        [pd.Series(pd.to_datetime(["2024-01-02", None])), pd.Series(pd.to_datetime(["2025-01-02"]))],
        [pd.Series([1.0]), pd.Series(["a"], dtype="str")],
    ],
)  # fmt: skip
def test_a_column_that_comes_in_parts_is_the_whole_one(parts, rows):
    so_far = ColumnSoFar(rows)
    for part in parts:
        so_far.add(part)
    expected = [None if pd.isna(value) else value for part in parts for value in part]
    whole = so_far.whole()
    assert [None if pd.isna(value) else value for value in whole] == expected
    assert list(whole.index) == list(range(len(expected)))
    if len({str(part.dtype) for part in parts}) == 1:
        assert str(whole.dtype) == str(parts[0].dtype)
