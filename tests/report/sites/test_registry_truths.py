"""What a comparison over a registry says is of all patients, and what needs rows says of how many it is."""

import numpy as np
import pytest

from analysis.cohort import write_cohort
from analysis.report import registry, sites

from .test_sites_truths import cohort_of, said

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("registry") / "cohort"
    write_cohort(cohort_of(effect=1.2), folder, file_format="parquet", partition="site")
    return registry.prepare_registry(folder, measure="pain", threshold=2.0, sample=100, seed=3, design="randomised")


def test_the_answer_is_of_all_patients(study):
    told = said(registry.answer(study))
    assert told.startswith(
        "240 patients; at week 26 240/240 of those due had a value of pain: usual 120/120, early 120/120."
    )
    assert "These data favour early over usual." in told
    assert "any other harm: usual 12/120, early 12/120" in told
    assert "With so many patients" not in told


def test_rows_are_of_a_sample_and_that_is_said(study):
    assert len(study.sample.cohort.patients) == 100
    told = said(registry.from_a_sample(study))
    assert "It is of 100 of 240 patients, drawn at random with seed 3;" in told
    assert study.whole.compared.n_patients == 240
    (differences,) = study.whole.found.differences
    assert differences.seen.allocated == 120
    assert study.sample.found.differences[0].seen.allocated < 120


def test_a_sample_of_all_is_said_to_be_all(tmp_path):
    folder = write_cohort(cohort_of(each=15), tmp_path / "cohort", file_format="parquet", partition="site")
    study = registry.prepare_registry(folder, measure="pain", threshold=2.0)
    assert said(registry.from_a_sample(study)) == "What follows needs rows: it is of all 60 patients."
    assert "does not make the protocols alike" not in said(registry.answer(study))


def test_methods_say_whether_the_site_is_adjusted_for(study):
    told = said(registry.methods(study))
    assert "The curves are adjusted for the site." in told
    assert "adjusted for the baseline and site" in told
    assert "Each site" not in told
    assert "sites" not in said(sites.flow(study.whole))


def test_many_patients_are_no_proof(study):
    from dataclasses import replace

    many = replace(study, survey=replace(study.survey, n_patients=1_000_000))
    assert "a difference too small to matter is told from chance" in said(registry.answer(many))
    nothing = replace(many, whole=replace(many.whole, found=replace(many.whole.found, differences=())))
    assert "does not make the protocols alike" in said(registry.answer(nothing))


def test_every_section_holds_something(study):
    for name in registry.__all__[2:-1]:
        section = getattr(registry, name)(study)
        assert all(str(item).strip() for item in section), name
        assert len(section), name
    assert np.isfinite(study.whole.compared.primary["estimate"]).all()


def test_who_has_no_site_was_seen_all_the_same(tmp_path):
    """The curves are adjusted for the site, which a third have not: they are in no curve, and not called unseen."""
    from dataclasses import replace

    cohort = cohort_of(effect=1.2)
    known = np.arange(240) % 3 > 0
    people = cohort.patients.assign(site=cohort.patients["site"].where(known, None), sex=np.where(known, "f", "m"))
    folder = write_cohort(replace(cohort, patients=people), tmp_path / "c", file_format="parquet", partition="sex")
    study = registry.prepare_registry(folder, measure="pain", threshold=2.0)
    told = said(registry.answer(study))
    assert "Nobody's visits were left out" not in said(registry.methods(study))
    assert "240/240 of those due" in told
    assert "The curves hold 160/240 of those with a value at week 26; the others lack the baseline or site." in told
    assert "not seen" not in told


def test_a_part_without_the_measure_counts_elsewhere(tmp_path):
    from dataclasses import replace

    cohort = cohort_of(effect=1.2)
    south = cohort.patients.loc[cohort.patients["site"] == "south", "patient_id"]
    cohort = replace(cohort, visits=cohort.visits[~cohort.visits["patient_id"].isin(south)])
    folder = write_cohort(cohort, tmp_path / "c", file_format="parquet", partition="site")
    told = said(registry.answer(registry.prepare_registry(folder, measure="pain", threshold=2.0)))
    assert told.startswith("240 patients; at week 26 120/240 of those due had a value of pain")
    assert "any other harm: usual 12/120, early 12/120" in told
