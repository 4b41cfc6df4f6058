"""What every test shares: one numeric thread per worker, figures without a screen, the same random examples each time."""

import os

import numpy as np
import pytest
from hypothesis import settings

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
os.environ.setdefault("MPLBACKEND", "Agg")

settings.register_profile("fixed", derandomize=True, database=None, deadline=None)
settings.load_profile("fixed")


@pytest.fixture
def rng():
    return np.random.default_rng(20)
