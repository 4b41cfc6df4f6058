"""Over 100 seeds of every scenario the true protocol differences lie inside their 95 % intervals in 90 to 99."""

import numpy as np
import pytest

from analysis.cohort import visit_frame
from analysis.curves.mixed_model import fit_mixed
from synthetic_cohort import generate_cohort, load_scenario

SEEDS = range(1, 101)
FORMULA = "value ~ protocol * C(week) + baseline * C(week)"


def differences(name: str, seed: int):
    """Estimated and true differences of the primary measure at the primary week."""
    scenario = load_scenario(name)
    made = generate_cohort(name, seed=seed)
    frame = visit_frame(made.observed, scenario.primary_measure, scenario.primary_limb)
    model = fit_mixed(frame[frame["week"] > 0], FORMULA, patient_effects=None, residual="unstructured")
    estimated = model.differences(of="protocol", reference=scenario.reference, weeks=[scenario.primary_week])
    truth = made.truth.protocol_differences
    true = truth[
        (truth["measure"] == scenario.primary_measure)
        & (truth["limb"] == scenario.primary_limb)
        & (truth["week"] == scenario.primary_week)
    ]
    both = estimated.merge(true, on="protocol")
    assert len(both) == len(scenario.protocols) - 1
    return both


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "ligament reconstruction",
        "ligament reconstruction, no difference",
        "knee replacement",
        "meniscus surgery",
        "patellofemoral pain",
    ],
)
def test_intervals_hold_the_true_differences(name):
    results = [differences(name, seed) for seed in SEEDS]
    covered = np.array([(one["lower"] <= one["difference"]) & (one["difference"] <= one["upper"]) for one in results])
    counts = dict(zip(results[0]["protocol"], covered.sum(axis=0).tolist(), strict=True))
    errors = np.array([(one["estimate"] - one["difference"]) for one in results])
    print(name, counts, "mean error", errors.mean(axis=0).round(4), "sd", errors.std(axis=0).round(4))
    if name.endswith("no difference"):
        assert all((one["difference"] == 0).all() for one in results)
    assert all(90 <= count <= 99 for count in counts.values()), counts
