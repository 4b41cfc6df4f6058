"""What de-identification does with cells: dates to weeks, ages, ZIP codes, sites, and new identifiers of patients."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
import unicodedata
from collections.abc import Collection, Iterable

import numpy as np
import pandas as pd

from analysis.cohort.columns import read_times
from analysis.cohort.recognition.cells import Cells
from analysis.cohort.recognition.find_identifiers import plain
from analysis.cohort.recognition.identifier_rules import RESTRICTED_ZIP_CODES
from analysis.errors import CohortError, DeidentificationError

#: Ages from here on are one group, 45 CFR 164.514(b)(2)(i)(C).
OLDEST = 90.0
_DAYS_IN_A_YEAR = 365.2425
_FORMATS = ("%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%d-%m-%Y", "%Y/%m/%d", "%Y%m%d", "%d %b %Y", "%d-%b-%Y", "%d %B %Y",
            "%B %d, %Y", "%d/%m/%y", "%m/%d/%y", "%d.%m.%y")  # fmt: skip
#: With the P in front 16 characters: 17 would have the form of a vehicle identification number.
_HEX_DIGITS = 15
_LEAST_KEY = 16


def parse_dates(values: pd.Series, name: str, date_format: str | None = None) -> pd.Series:
    """Read a column of dates of any type; where day and month could be meant either way, ask.

    ``date_format`` is in the notation of ``strptime``; by default year-month-day, or the one usual form that fits all cells.
    Cells that are no date are missing in the ``datetime64`` given.

    Raises
    ------
    CohortError
        Several forms fit and mean different days.

    Examples
    --------
    >>> parse_dates(pd.Series(["13/02/2024"]), "seen").dt.month.tolist()
    [2]
    """
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return values.dt.tz_localize(None)
    if pd.api.types.is_numeric_dtype(values.dtype):
        values = values.astype("Int64")
    text = values.astype("str").str.strip().where(values.notna())
    text = text.mask(Cells(values).missing)
    if date_format is not None:
        try:
            return read_times(text, date_format)
        except ValueError as error:
            raise CohortError(
                f"Dates cannot be read as {date_format!r}: {error}.",
                where=f"column {name}",
                what_to_do='Write the form as strptime does, for example --date-format "%d.%m.%Y".',
            ) from None
    best = read_times(text)
    if text.str.fullmatch(r"\d{1,8}").fillna(value=False).any():
        best = pd.Series(pd.NaT, index=text.index, dtype="datetime64[us]")
    if best.notna().sum() == text.notna().sum():
        return best
    rivals: list[pd.Series] = []
    for one in _FORMATS:
        dates = pd.to_datetime(text, format=one, errors="coerce")
        if dates.notna().sum() > best.notna().sum():
            best, rivals = dates, [dates]
        elif rivals and dates.notna().any() and dates.notna().sum() == best.notna().sum():
            rivals.append(dates)
    if any(not rival.equals(best) for rival in rivals):
        raise CohortError(
            f"The dates of the column {name!r} can be read with the day first or the month first.",
            where=f"column {name}",
            what_to_do='Say how they are written, for example --date-format "%d/%m/%Y".',
        )
    return best


def weeks_between(start: pd.Series, dates: pd.Series) -> pd.Series:
    """Give the weeks from the start to dates; part of a week is kept, the time of the day is not.

    Examples
    --------
    >>> weeks_between(pd.Series(pd.to_datetime(["2024-01-01"])), pd.Series(pd.to_datetime(["2024-01-15"]))).tolist()
    [2.0]
    """
    return (dates.dt.normalize() - start.dt.normalize()).dt.days / 7.0


def ages_at(start: pd.Series, birth: pd.Series) -> pd.Series:
    """Give ages in whole years at the start, over 89 as 90."""
    years = (start - birth).dt.days / _DAYS_IN_A_YEAR
    whole = pd.Series(np.floor(years), index=years.index)
    return whole.where(~(whole >= OLDEST), OLDEST)


def three_digits(codes: pd.Series) -> pd.Series:
    """Cut ZIP codes to three digits; 000 where 20,000 people or fewer live under them, missing for anything else.

    Examples
    --------
    >>> three_digits(pd.Series(["94110-1234", "03601", "AB1 2CD", "2134"])).tolist()
    ['941', '000', nan, '021']
    """
    text = codes.astype("str").str.strip().str.replace(r"\.0$", "", regex=True).where(codes.notna())
    zip_code = text.str.fullmatch(r"\d{4,5}(?:-?\d{4})?").fillna(value=False).astype(bool)
    five = text.str.split("-").str[0].str.zfill(5)
    first = five.str.slice(0, 3).where(zip_code)
    return first.where(~first.isin(RESTRICTED_ZIP_CODES), "000").astype("str")


def only_numbers(values: pd.Series) -> tuple[pd.Series, int]:
    """Empty the cells that are neither a number, with a bound or a unit, nor a mark of a missing value; and count them.

    Examples
    --------
    >>> only_numbers(pd.Series(["12,5", "<20", "n/a", "see notes"]))[0].tolist(), only_numbers(pd.Series(["x"]))[1]
    (['12,5', '<20', 'n/a', nan], 1)
    """
    cells = Cells(values)
    return _emptied(values, ~cells.missing & cells.row_numbers.isna())


def only_codes(values: pd.Series, codes: Collection[str]) -> tuple[pd.Series, int]:
    """Empty the cells that are none of the codes permitted nor a mark of a missing value, and count them."""
    return _emptied(values, ~Cells(values).missing & ~values.astype("str").str.strip().isin(codes))


def group_rare(values: pd.Series, patients: pd.Series, fewest: int) -> tuple[pd.Series, int]:
    """Write "other" for labels of fewer patients than ``fewest``, and count the cells.

    Examples
    --------
    >>> group_rare(pd.Series(["a", "a", "b"]), pd.Series(["p", "q", "r"]), 2)[0].tolist()
    ['a', 'a', 'other']
    """
    counts = patients.groupby(values.to_numpy(), observed=True).nunique()
    rare = values.isin(counts[counts < fewest].index)
    return values.astype("str").where(values.notna()).mask(rare, "other"), int(rare.sum())


def cap_ages(values: pd.Series, years: float) -> tuple[pd.Series, int]:
    """Write ages in whole years, every one over 89 as 90, and count the cells that changed.

    They stay in their unit, of which ``years`` make a year. Texts that begin with an age become one.

    A negative number is a time before the start, at which the patient was born.

    Examples
    --------
    >>> cap_ages(pd.Series([93.0, 40.5]), 1)[0].tolist(), cap_ages(pd.Series(["91+", "88"]), 1)[0].tolist()
    ([90.0, 40.0], ['90', '88'])
    >>> cap_ages(pd.Series([437, 1100]), 12)[0].tolist()
    [432.0, 1080.0]
    """
    is_number = pd.api.types.is_numeric_dtype(values.dtype)
    numbers = values.astype("float64") if is_number else _first_number(values)
    new = np.sign(numbers) * np.round(np.minimum(_whole_years(numbers, years), OLDEST) * years)
    changed = numbers.notna() & (new != numbers)
    if is_number:
        return numbers.mask(changed, new), int(changed.sum())
    return values.astype("str").where(values.notna()).mask(changed, new.map("{:.0f}".format)), int(changed.sum())


def _first_number(values: pd.Series) -> pd.Series:
    text = values.astype("str").map(lambda cell: unicodedata.normalize("NFKC", cell), na_action="ignore")
    found = text.str.extract(r"([+-]?\d+(?:[.,]\d+)?)", expand=False).str.replace(",", ".")
    return pd.to_numeric(found, errors="coerce").astype("float64").where(values.notna())


def exact_or_old(ages: pd.Series, years: float) -> bool:
    """Say whether ages are over 89, or tell more than whole years, in the unit of which ``years`` make a year.

    Examples
    --------
    >>> exact_or_old(pd.Series([45.0, 67.0]), 1), exact_or_old(pd.Series([45.31, 67.0]), 1)
    (False, True)
    """
    known = ages.dropna()
    return bool(
        (known.abs() >= OLDEST * years).any() or (np.round(_whole_years(known, years) * years) != known.abs()).any()
    )


def _whole_years(ages: pd.Series, years: float) -> pd.Series:
    """Give ages in whole years; those that were written in another unit already stay what they are."""
    return pd.Series(np.floor((ages.abs() + 0.5 * (years > 1)) / years), index=ages.index)


def as_dates(values: pd.Series, name: str, date_format: str | None = None) -> pd.Series | None:
    """Read dates as :func:`parse_dates` does; None where no cell is one, marks of a missing value are missing."""
    if pd.api.types.is_bool_dtype(values.dtype):
        return None
    if pd.api.types.is_numeric_dtype(values.dtype) and (values.dropna() % 1 != 0).any():
        return None
    dates = parse_dates(values, name, date_format)
    return dates if dates.notna().any() else None


def is_us_zip_code(values: pd.Series) -> pd.Series:
    """Say of each cell that is there whether it has the form of a ZIP code, in plain digits."""
    text = values.dropna().astype("str").str.strip()
    return text.str.fullmatch(r"[0-9]{5}(?:-?[0-9]{4})?").fillna(value=False).astype(bool)


def number_labels(labels: Iterable[str], word: str, key: bytes | None = None) -> dict[str, str]:
    """Give labels numbers, for example ``site 1``: in random order, or in one that only the key gives again."""
    names = sorted(set(labels), key=lambda name: secrets.token_hex() if key is None else _keyed(name, key))
    return {name: f"{word} {i}" for i, name in enumerate(names, 1)}


def _emptied(values: pd.Series, wrong: pd.Series) -> tuple[pd.Series, int]:
    return (values.mask(wrong) if wrong.any() else values), int(wrong.sum())


def week_name(column: str, taken: Iterable[str]) -> str:
    """Name the column that holds weeks in place of dates.

    Examples
    --------
    >>> week_name("Visit date", []), week_name("seen", ["seen_week"])
    ('visit_week', 'seen_week_2')
    """
    words = re.sub(r"(?:^|(?<=_))(?:date|dates|datum|dat|dt|datetime|timestamp|fecha)(?=_|$)", "week", plain(column))
    name = words if "week" in words.split("_") else f"{words}_week"
    there = set(taken)
    return name if name not in there else next(f"{name}_{i}" for i in range(2, 10_000) if f"{name}_{i}" not in there)


def opaque_identifiers(identifiers: Iterable[str], key: bytes | None = None) -> dict[str, str]:
    """Give each patient, by the old identifier, a new one that says nothing about the person.

    With a key it is a keyed hash (HMAC-SHA-256, the first 15 hexadecimal digits): the same patient gets the same identifier
    again, and who has the key can find the patient. Without one identifiers are drawn at random.

    Raises
    ------
    DeidentificationError
        The key is shorter than 16 bytes, or two patients would get the same identifier.

    Examples
    --------
    >>> opaque_identifiers(["MRN 1"], key=b"sixteen bytes or more")
    {'MRN 1': 'P4e171466a1bd860'}
    """
    names = list(dict.fromkeys(str(name).strip() for name in identifiers))
    if key is not None and len(key) < _LEAST_KEY:
        raise DeidentificationError(
            f"The key has {len(key)} bytes; a short one can be guessed.",
            where="the key of the identifiers",
            what_to_do=f"Give at least {_LEAST_KEY} bytes, or name a file that is not there yet: a key is made.",
        )
    new = {
        name: "P" + (secrets.token_hex(_HEX_DIGITS)[:_HEX_DIGITS] if key is None else _keyed(name, key))
        for name in names
    }
    if len(set(new.values())) < len(new):
        raise DeidentificationError(
            "Two patients got the same new identifier.", where="the identifiers", what_to_do="Run it again."
        )
    return new


def _keyed(name: str, key: bytes) -> str:
    return hmac.new(key, name.encode("utf-8"), hashlib.sha256).hexdigest()[:_HEX_DIGITS]
