"""Recovery curves by group of quarters: what was planted is told, what is small is hidden, and no patient is drawn."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import LineCollection

from analysis.cohort import Cohort
from analysis.quarter.indicators import CHANGE
from analysis.quarter.periods import every_period
from analysis.report import Figure, quarter
from analysis.report.quarter.findings.curve_words import curves_title
from analysis.report.quarter.prepared import counted_folder
from analysis.report.quarter.prepared.curve_study import _must_hide


def plant(*, quarters=16, each=40, later=0.0, seen=None, seed=3):
    """Make a cohort whose patients of the last four quarters are better by ``later`` at week 26; ``seen`` of a quarter are seen."""
    rng = np.random.default_rng(seed)
    periods = every_period(["2022-Q1", "2029-Q4"])[:quarters]
    people = pd.DataFrame({"quarter": np.repeat(periods, each)})
    people["patient_id"] = [f"p{i:05d}" for i in range(len(people))]
    base, own = rng.normal(40, 6, len(people)), rng.normal(0, 5, len(people))
    late = people["quarter"].isin(periods[-4:]).to_numpy()
    frames = [pd.DataFrame({"patient_id": people["patient_id"], "week": 0.0, "value": base})]
    for week, gain in ((6.0, 8.0), (26.0, 20.0)):
        value = base + gain + own + rng.normal(0, 3, len(people)) + (later if week > 6 else 0.0) * late
        frames.append(pd.DataFrame({"patient_id": people["patient_id"], "week": week, "value": np.clip(value, 0, 100)}))
    visits = pd.concat(frames, ignore_index=True).assign(measure="ikdc", limb="none")
    if seen is not None:
        rank = people.groupby("quarter").cumcount()
        few = people["patient_id"][late & (rank >= seen).to_numpy()]
        visits = visits[~(visits["patient_id"].isin(few) & (visits["week"] == 6.0))]
    patients = people.assign(protocol="usual", site="only")
    return Cohort(patients, visits, privacy="limited", as_of="2026-11-01")


@pytest.fixture
def prepared(tmp_path, monkeypatch):
    def prepare(cohort, **options):
        (tmp_path / "datapackage.json").touch()
        monkeypatch.setattr(counted_folder, "load_cohort", lambda place: cohort)
        return quarter.prepare_quarter(tmp_path, **options)

    return prepare


def test_a_planted_difference_is_told_with_its_interval_and_no_cause(prepared):
    study = prepared(plant(later=6.0))
    (figure,) = quarter.recovery(study)
    estimate, lower, upper = study.curves.difference
    # 160 against 480 patients, standard deviation given the baseline sqrt(25 + 9) = 5.8: a standard error of 0.53.
    assert estimate == pytest.approx(6.0, abs=1.2)
    assert upper - lower == pytest.approx(2 * 1.96 * 0.53, rel=0.15)
    assert "of those who started in Q1 2025 to Q4 2025" in figure.alt
    assert "higher than before" in figure.alt
    assert not any(
        words in figure.alt + figure.caption for words in ("effect of", "because of the", "improvement", "due to")
    )


@pytest.mark.slow
def test_without_a_difference_none_is_told(prepared):
    (figure,) = quarter.recovery(prepared(plant()))
    assert "no difference can be told" in figure.alt


def test_counts_are_those_of_the_patients_seen_and_no_patient_is_drawn(prepared, drawn):
    study = prepared(plant())
    (figure,) = quarter.recovery(study)
    means = study.curves.means.set_index(["protocol", "week"])["n"]
    before, now = study.curves.groups
    assert [means[before, 26.0], means[now, 26.0]] == [480, 160]
    for width in ("wide", "narrow"):
        drawing = figure.drawing(width)
        assert drawn.problems(drawing) == []
        (axes,) = drawing.axes
        assert (
            len([one for one in axes.collections if isinstance(one, LineCollection)]) <= 2
        )  # error bars of two groups
        texts = [text.get_text() for text in axes.texts]
        assert "480" in texts
        assert "160" in texts
    assert figure.message == curves_title(study.curves)


@pytest.mark.parametrize(
    ("seen", "hidden"),
    [
        (2, True),
        pytest.param(3, False, marks=pytest.mark.slow),
        (38, True),
        pytest.param(37, False, marks=pytest.mark.slow),
    ],
)
def test_few_patients_of_a_group_and_week_and_few_who_are_missing_are_hidden(prepared, seen, hidden):
    """Of four quarters of 40, 2 each were seen at week 6: 8; or 38 each: 8 were not, which is small as well."""
    study = prepared(plant(seen=seen))
    means = study.curves.means.set_index(["protocol", "week"])
    row = means.loc[(study.curves.groups[1], 6.0)]
    assert row[["estimate", "lower", "upper", "n"]].isna().all() == hidden
    (figure,) = quarter.recovery(study)
    cells = figure.table.cells()
    assert (cells["Patients seen"] == "hidden").sum() == int(hidden)
    assert (cells["Mean (95 % interval)"] == "hidden").sum() == int(hidden)
    assert ("Hidden, as fewer than 11" in figure.caption) == hidden
    assert np.isfinite(study.curves.difference).all()


@pytest.mark.slow
def test_for_the_team_itself_nothing_is_hidden(prepared):
    study = prepared(plant(seen=2), small_counts="shown")
    assert study.curves.means["n"].min() == 8


def test_a_count_that_is_hidden_elsewhere_is_hidden_here(prepared):
    released = prepared(plant()).released
    known = released.value(CHANGE, "window")
    assert not _must_hide(released, known, known + 40, "window", of_outcome=True)
    assert _must_hide(released, known - 3, known + 40, "window", of_outcome=True)  # three without a covariate
    assert not _must_hide(released, known - 3, known + 40, "window", of_outcome=False)
    assert _must_hide(released, known, known + 40, "nowhere", of_outcome=True) == released.is_hidden(CHANGE, "nowhere")
    assert _must_hide(released, 10, 400, "window", of_outcome=False)
    assert _must_hide(released, 390, 400, "window", of_outcome=False)
    assert not _must_hide(released, 400, 400, "window", of_outcome=False)


def test_groups_that_overlap_and_aggregates_have_no_curves(prepared, tmp_path_factory):
    (passage,) = quarter.recovery(prepared(plant(quarters=8)))
    assert "quarters of the baseline that lie before those compared now" in str(passage)
    folder = tmp_path_factory.mktemp("aggregates")
    (folder / "aggregates.csv").write_text(
        "indicator,period,numerator,denominator\n" + "".join(f"A,2026-Q{q},40,100\n" for q in (1, 2, 3, 4)),
        encoding="utf-8",
    )
    assert list(quarter.recovery(quarter.prepare_quarter(folder))) == []


def test_a_small_group_has_no_curves(prepared):
    (passage,) = quarter.recovery(prepared(plant(quarters=13, each=10), site_quarters=1))
    assert not isinstance(passage, Figure)
    assert "one of the two is small" in str(passage)


def test_numbers_stand_as_an_earlier_release_told_them_where_few_came_late(prepared):
    """100 of 160 patients were seen at week 6, then 104, then 120: a change of 4 is not told, one of 20 is."""

    def told(seen):
        study = prepared(plant(seen=seen))
        quarter.record_release(study)
        (figure,) = quarter.recovery(study)
        return study.curves.means.set_index(["protocol", "week"])["n"][study.curves.groups[1], 6.0], figure.caption

    first, caption = told(25)
    assert first == 100
    assert "As released" not in caption
    again, caption = told(26)
    assert again == 100
    assert "As released: 1 number of patients, since late data changed it by too few to be told." in caption
    later, caption = told(30)
    assert later == 120
    assert "As released" not in caption
    shown = prepared(plant(seen=26), small_counts="shown").curves
    assert shown.means.set_index(["protocol", "week"])["n"][shown.groups[1], 6.0] == 104
