"""Numbers that say nothing alone: each pair of sites shares a seed, and the masks drawn from it cancel in the sum of all."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import read_toml
from analysis.errors import CohortError

#: Numbers are whole multiples of 2 to the power of minus this, and are added modulo 2 to the power of ``_BITS``.
_POINT, _BITS = 64, 128
_MODULUS, _HALF = 1 << _BITS, 1 << (_BITS - 1)
#: Letters of a seed at least, two for each byte (128 bits).
FEWEST_LETTERS = 32


def masked(
    values: Sequence[float], site: str, sites: Sequence[str], seeds: Mapping[str, str], context: str
) -> list[str]:
    """Hide numbers of one site so that only the sum over all sites gives anything away.

    Parameters
    ----------
    values : sequence of float
        In an order that all sites share.
    site : str
    sites : sequence of str
        All that take part.
    seeds : mapping of str to str
        By the name of each other site the secret that both share, of hexadecimal digits.
    context : str
        What the numbers are of; another one makes other masks. The same seeds must not be used twice with one context and other
        numbers: the difference of both files would be that of the numbers.

    Returns
    -------
    list of str
        Numbers modulo 2**128, hexadecimal.

    Raises
    ------
    CohortError
        A seed is missing, too many or too short, or a number is none or too large.

    Notes
    -----
    Masks of pairs that cancel (Bonawitz et al., CCS 2017, without its recovery of sites that drop out; cited from memory), drawn by
    SHAKE-256. Who knows a seed of a pair can take away that mask and no other. The numbers are fixed-point, so that the sum is exact to
    2**-64 for each site.

    Examples
    --------
    >>> shared = {"south": "0f" * 16}, {"north": "0f" * 16}
    >>> sent = [masked([1.5, 2.0], "north", ["north", "south"], shared[0], "a test"),
    ...         masked([4.0, -1.0], "south", ["north", "south"], shared[1], "a test")]
    >>> unmasked_sum(sent)
    [5.5, 1.0]
    """
    _refuse_seeds(site, sites, seeds)
    total = [_fixed(value, site) for value in values]
    for other, seed in seeds.items():
        sign = 1 if site < other else -1
        for place, mask in enumerate(_drawn(seed, context, len(total))):
            total[place] = (total[place] + sign * mask) % _MODULUS
    return [f"{one:032x}" for one in total]


def unmasked_sum(sent: Sequence[Sequence[str]]) -> list[float]:
    """Add what all sites sent: the masks cancel, and the sum of the numbers is left.

    Raises
    ------
    ValueError
        A number is none, or the sites did not send as many.
    """
    total = [0] * len(sent[0])
    for one in sent:
        for place, (before, word) in enumerate(zip(total, one, strict=True)):
            total[place] = (before + int(word, 16)) % _MODULUS
    return [(one - _MODULUS if one >= _HALF else one) / (1 << _POINT) for one in total]


def read_seeds(path: str | Path) -> dict[str, str]:
    """Read the seeds that a site shares with the others: a TOML file with a line for each, ``north = "..."``.

    Raises
    ------
    CohortError
        The file cannot be read, or holds something else.
    """
    refuse_impossible_name(Path(path), error=CohortError)
    try:
        found = read_toml(Path(path))
    except (OSError, ValueError) as error:
        raise CohortError(
            f"The seeds cannot be read: {error}.",
            where=str(path),
            what_to_do='Write a line for each site: north = "..."',
        ) from None
    if not all(isinstance(one, str) for one in found.values()):
        raise CohortError(
            "The file holds something that is no seed.",
            where=str(path),
            what_to_do='Write a line for each site: north = "..."',
        )
    return {str(site): str(one) for site, one in found.items()}


def _fixed(value: float, site: str) -> int:
    if not math.isfinite(value) or abs(value) >= 2.0 ** (_BITS - _POINT - 8):
        raise CohortError(
            f"A number that is masked is {value!r}.",
            where=f"site {site}",
            what_to_do="Look for values that are no numbers, or far outside the range of their measure.",
        )
    above, below = value.as_integer_ratio()
    return ((above << _POINT) // below) % _MODULUS


def _drawn(seed: str, context: str, n: int) -> list[int]:
    width = _BITS // 8
    stream = hashlib.shake_256(bytes.fromhex(seed) + b"\0" + context.encode()).digest(width * n)
    return [int.from_bytes(stream[place * width : (place + 1) * width], "big") for place in range(n)]


def _refuse_seeds(site: str, sites: Sequence[str], seeds: Mapping[str, str]) -> None:
    others = [one for one in sites if one != site]
    lacking, strange = [one for one in others if one not in seeds], [one for one in seeds if one not in others]
    if lacking or strange or not others:
        raise CohortError(
            f"A seed is needed for each pair of sites: {'none' if lacking else 'one too many'} with {(lacking or strange or ['any'])[0]!r}.",
            where=f"site {site}, of {', '.join(sites)}",
            what_to_do="Agree on a seed with each other site, and name it under the name that the plan has for that site.",
        )
    for other, seed in seeds.items():
        try:
            good = len(seed) >= FEWEST_LETTERS and bool(bytes.fromhex(seed))
        except ValueError:
            good = False
        if not good:
            raise CohortError(
                f"The seed shared with {other!r} is too short, or no hexadecimal number.",
                where=f"site {site}",
                what_to_do=f"Draw {FEWEST_LETTERS} digits or more at random: kneecurve sites seed.",
            )
