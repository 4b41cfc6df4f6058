"""What every test shares: one numeric thread per worker, figures without a screen, the same random examples each time."""

import gc
import os
import sys

import numpy as np
import pytest
from hypothesis import settings
from hypothesis.internal.conjecture import providers

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
os.environ.setdefault("MPLBACKEND", "Agg")

#: jsonschema builds the grammars of internationalised addresses when notebooks are first read; no notebook holds one.
sys.modules.setdefault("rfc3987_syntax", None)

# Hypothesis looks for constants in every file of the kit to try them as examples: 80 s at the first property of a clean clone, and
# other examples whenever a constant changes.
providers._get_local_constants = lambda: providers._local_constants

settings.register_profile("fixed", derandomize=True, database=None, deadline=None)
settings.load_profile("fixed")


def pytest_collection():
    """While tests are collected nothing is garbage: looking for it takes a quarter of that time."""
    gc.disable()


def pytest_collection_finish():
    """What was collected stays to the end: the collector of garbage need not look at it again and again."""
    gc.enable()
    gc.collect()
    gc.freeze()


@pytest.fixture
def rng():
    return np.random.default_rng(20)
