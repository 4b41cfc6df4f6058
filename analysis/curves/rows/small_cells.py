"""Which patients lie in patterns of few, or have a level that few of a pattern have: left out on request."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.curves.rows.covariate import Covariate
from analysis.curves.rows.visit_rows import VisitRows

#: Weeks seen, as bytes, and the level of each category and combination.
Profile = tuple[bytes, tuple[str, ...]]


def profiles(
    rows: VisitRows, covariates: Mapping[str, Covariate], interactions: Sequence[Sequence[str]] = ()
) -> tuple[list[Profile], NDArray[np.int64]]:
    """Give the profiles that occur among the patients, and the place of each patient's.

    Categories that stand in one of the interactions together have their combination as a further level.

    The slots of the rows must be those of a schedule, the same in all parts.
    """
    categories = [one.name for one in covariates.values() if one.levels is not None and one.scope == "patient"]
    first = rows.frame.iloc[rows.first_row]
    codes = [pd.factorize(first[name].astype("str"))[0] for name in categories]
    packed = np.packbits(rows.seen, axis=1)
    keys = pd.DataFrame(np.column_stack([packed, *codes]))
    place = np.asarray(keys.groupby(list(keys.columns), sort=False).ngroup(), dtype=np.int64)
    _, at = np.unique(place, return_index=True)
    inside = [[name for name in names if name in categories] for names in interactions]
    groups = {few for names in inside for size in range(2, len(names) + 1) for few in combinations(sorted(names), size)}
    levels = [[name] for name in categories] + [list(few) for few in sorted(groups)]
    words = [tuple(":".join(str(first[name].iloc[i]) for name in names) for names in levels) for i in at]
    return [(packed[i].tobytes(), word) for i, word in zip(at, words, strict=True)], place


def kept_profiles(counts: Mapping[Profile, int], k: int) -> set[Profile]:
    """Choose the profiles that stay: no pattern, and no level within one, has fewer than ``k`` patients of those that stay.

    Examples
    --------
    >>> counts = {(b"a", ("x",)): 12, (b"a", ("y",)): 2, (b"b", ("x",)): 9}
    >>> kept_profiles(counts, 10)
    {(b'a', ('x',))}
    """
    kept = {profile: n for profile, n in counts.items() if n}
    while True:
        cells: Counter[tuple[bytes, int, str]] = Counter()
        for (seen, levels), n in kept.items():
            cells[seen, -1, ""] += n
            for place, level in enumerate(levels):
                cells[seen, place, level] += n
        small = {cell for cell, n in cells.items() if n < k}
        if not small:
            return set(kept)
        kept = {profile: n for profile, n in kept.items() if not small & set(_cells(profile))}


def _cells(profile: Profile) -> Sequence[tuple[bytes, int, str]]:
    seen, levels = profile
    return [(seen, -1, ""), *((seen, place, level) for place, level in enumerate(levels))]
