"""Studies of cohorts that lie in memory: that a folder gives its cohort back is tested where folders are."""

import pytest

from analysis.report.comparison import prepare_study, study


@pytest.fixture(scope="session")
def study_in_memory():
    """Give a function that prepares the study of a cohort without a folder of it."""

    def prepare(cohort, **parameters):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(study, "load_cohort", lambda folder: cohort)
            return prepare_study("in memory", **parameters)

    return prepare
