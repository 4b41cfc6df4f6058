"""A further column of a cohort is one that is known, or one that a person named."""

import pandas as pd
import pytest

from analysis.cohort import Cohort, Provenance, check_cohort, import_cohort, load_cohort, write_cohort
from analysis.cohort.files.data_package import DESCRIPTOR
from analysis.errors import DeidentificationError


def problems(cohort):
    findings = check_cohort(cohort).findings
    return findings[findings["problem"].str.contains("nobody has named it")]["column"].tolist()


def test_unknown_columns_are_errors_until_somebody_names_them(patients, visits):
    more = patients.assign(graft=["hamstring", "patellar tendon", "hamstring"], ward=["3b", "4a", "3b"])
    assert problems(Cohort(more, visits)) == ["ward"]
    assert problems(Cohort(more, visits, provenance=Provenance(decided=["patients.ward"]))) == []
    invented = Provenance(scenario="ligament reconstruction", seed=1)
    assert problems(Cohort(more, visits, provenance=invented)) == []


def test_a_name_that_is_not_of_the_trade_is_an_error_though_its_cells_are_harmless(patients, visits):
    assert problems(Cohort(patients.assign(amberg_said=["yes", "no", "yes"]), visits)) == ["amberg_said"]


def test_what_a_map_names_is_decided_and_stays_so_in_the_folder(tmp_path):

    (tmp_path / "map.toml").write_text(
        '[patients]\npatient_id = "id"\nprotocol = "arm"\nward = "ward"\n[week]\ncolumn = "w"\n'
        '[[values]]\nmeasure = "pain"\ncolumn = "pain"\n'.replace('column = "w"\n', 'column = "week"\n')
    )
    (tmp_path / "data.csv").write_text("id,arm,ward,week,pain\n1,usual,3b,0,6\n2,early,4a,0,5\n")
    cohort = import_cohort(tmp_path / "data.csv", tmp_path / "map.toml").cohort
    assert "patients.ward" in cohort.provenance.decided
    folder = write_cohort(cohort, tmp_path / "cohort")
    assert load_cohort(folder).provenance.decided == cohort.provenance.decided


def test_a_column_put_into_a_folder_afterwards_does_not_load(patients, visits, tmp_path):
    folder = write_cohort(Cohort(patients, visits), tmp_path / "cohort")
    lines = (folder / "patients.csv").read_text().splitlines()
    table = [f"{line},{cell}" for line, cell in zip(lines, ["ward", "3b", "4a", "3b"], strict=True)]
    (folder / "patients.csv").write_text("\n".join(table) + "\n")
    assert (folder / DESCRIPTOR).exists()
    with pytest.raises(DeidentificationError, match="could identify patients"):
        load_cohort(folder)
    assert isinstance(load_cohort(write_cohort(Cohort(patients, visits), tmp_path / "other")).patients, pd.DataFrame)
