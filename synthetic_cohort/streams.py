"""Named streams of random numbers, so that adding a part to a cohort does not change its other parts."""

from __future__ import annotations

import hashlib

import numpy as np


def stream(seed: int, *names: str) -> np.random.Generator:
    """Give the generator of one named part of a cohort, by its path, for example ``"visits", "pain", "error"``.

    PCG64, seeded with the seed and the first 128 bits of the SHA-256 of the path: the same on every platform, and
    independent of the streams of other paths.

    Examples
    --------
    >>> a, b = stream(1, "patients", "age"), stream(1, "patients", "age")
    >>> float(a.random()) == float(b.random())
    True
    >>> float(stream(1, "patients", "sex").random()) == float(stream(1, "patients", "age").random())
    False
    """
    digest = hashlib.sha256("/".join(names).encode("utf-8")).digest()
    words = np.frombuffer(digest[:16], dtype="<u4")
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, *(int(word) for word in words)])))
