"""From which losses on nothing is concluded about protocols: one rule for all reports, our own (no source gives one limit)."""

from collections.abc import Iterable

#: A third of a protocol not seen, or 15 percentage points more than of another.
MUCH_LOST, LOST_APART = 1 / 3, 0.15
#: Room for the rounding of shares: 5 of 15 are a third.
_ROUNDING = 1e-9


def much_lost(share: float) -> bool:
    """Say whether a third or more are lost.

    Examples
    --------
    >>> much_lost(5 / 15), much_lost(0.33)
    (True, False)
    """
    return share >= MUCH_LOST - _ROUNDING


def losses_differ(shares: Iterable[float]) -> bool:
    """Say whether the shares lost of two protocols are 15 percentage points or more apart.

    Examples
    --------
    >>> losses_differ([0.05, 0.1, 0.2]), losses_differ([0.05, 0.19]), losses_differ([])
    (True, False, False)
    """
    known = list(shares)
    return bool(known) and max(known) - min(known) >= LOST_APART - _ROUNDING


def too_many_lost(shares: Iterable[float]) -> bool:
    """Say whether nothing is concluded about protocols of which these shares are lost.

    Examples
    --------
    >>> too_many_lost([0.1, 0.2]), too_many_lost([0.1, 0.25]), too_many_lost([0.4, 0.4])
    (False, True, True)
    """
    known = list(shares)
    return any(much_lost(share) for share in known) or losses_differ(known)
