"""The same numbers on every processor: OpenBLAS kernels of other processors, and two threads, against the kernel here."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

HERE = Path(__file__).parent
DESIGNS = 120
#: Kernels by the instructions they need, as Linux names them. The first needs none beyond those of any 64-bit processor.
KERNELS = {"Prescott": set(), "Haswell": {"avx2", "fma"}, "SkylakeX": {"avx512f", "avx512bw", "avx512dq", "avx512vl"}}
#: How far numbers may lie apart: estimates in standard errors; the rest relative, p values absolute.
TOLERANCES = {"estimate": 2e-6, "std_error": 1e-6, "df": 1e-6, "p_value": 1e-8}
CRITERION = 1e-7


def able() -> list[str]:
    """Give the kernels that this processor can run."""
    listed = Path("/proc/cpuinfo")
    flags = set(listed.read_text().split()) if listed.exists() else set()
    return [name for name, needed in KERNELS.items() if needed <= flags and "sse2" in flags]


def numbers(kernel: str | None, threads: int) -> dict[str, dict]:
    own = {"OPENBLAS_NUM_THREADS": str(threads), "OMP_NUM_THREADS": str(threads)}
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_CORETYPE"} | own
    if kernel:
        environment["OPENBLAS_CORETYPE"] = kernel
    script = [sys.executable, HERE / "processor_numbers.py", "0", str(DESIGNS)]
    done = subprocess.run(script, env=environment, capture_output=True, text=True, check=True, timeout=600)
    return json.loads(done.stdout)


def apart(one: dict, other: dict) -> list[str]:
    """Say where two lists of numbers of a design lie further apart than their tolerances."""
    if "refused" in one or "refused" in other:
        return [] if one == other else ["refused here, or in other words there"]
    found = [name for name in ("converged", "boundary") if one[name] != other[name]]
    if not one["converged"]:
        return found
    if abs(one["criterion"] - other["criterion"]) > CRITERION:
        found.append(f"criterion {one['criterion']:.9g} and {other['criterion']:.9g}")
    error = np.array(one["std_error"])
    for name, tolerance in TOLERANCES.items():
        here, there = np.array(one[name]), np.array(other[name])
        unit = {"estimate": error, "p_value": 1.0}.get(name, np.abs(here))
        with np.errstate(invalid="ignore"):
            off = (np.isnan(here) != np.isnan(there)) | (np.abs(here - there) > tolerance * unit)
        if off.any():
            found.append(f"{name} {here[off][0]:.9g} and {there[off][0]:.9g}")
    return found


@pytest.fixture(scope="module")
def here() -> dict[str, dict]:
    return numbers(None, 1)


@pytest.mark.slow
@pytest.mark.parametrize(("kernel", "threads"), [*((name, 1) for name in KERNELS), (None, 2)])
def test_the_numbers_of_random_designs_do_not_depend_on_the_processor(here, kernel, threads):
    if kernel and kernel not in able():
        pytest.skip(f"this processor cannot run the kernel {kernel}")
    there = numbers(kernel, threads)
    assert len(here) == DESIGNS
    assert sum("refused" not in one for one in here.values()) > DESIGNS / 2
    assert {seed: said for seed in here if (said := apart(here[seed], there[seed]))} == {}
