"""Print what the engine finds for random designs, as JSON: run by ``test_processors.py`` under several kernels and threads."""

from __future__ import annotations

import json
import sys
import warnings
from pathlib import Path

from analysis.curves.mixed_model import fit_mixed
from analysis.errors import KneecurveWarning, ModelError

sys.path.insert(0, str(Path(__file__).parent))
from random_designs import random_design


def numbers(seed: int) -> dict[str, object]:
    """Give the numbers of one design, or what it was refused for."""
    design = random_design(seed)
    try:
        fit = fit_mixed(design.frame, design.formula, **design.options)
    except ModelError as error:
        return {"refused": error.what}
    found: dict[str, object] = {"converged": fit.converged, "boundary": fit.boundary, "criterion": fit.criterion}
    tables = [fit.coefficients]
    if "protocol" in design.formula:
        tables.append(fit.differences(of="protocol"))
    for name in ("estimate", "std_error", "df", "p_value"):
        found[name] = [float(value) for table in tables for value in table[name]]
    return found


if __name__ == "__main__":
    first, last = (int(given) for given in sys.argv[1:])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", KneecurveWarning)
        json.dump({seed: numbers(seed) for seed in range(first, last)}, sys.stdout)
