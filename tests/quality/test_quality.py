"""Data quality by hand-made cohorts whose answer can be counted, planted errors, and a published chi-square."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis import quality
from analysis.cohort import Cohort, check_cohort, write_cohort
from analysis.cohort.files.data_package import load_with_findings
from analysis.errors import CohortError, DeidentificationError
from analysis.quality.digits import count_digits
from analysis.quality.lost import thirds
from synthetic_cohort import generate_cohort


def rows(patient: str, measure: str, by_week: dict[float, float], limb: str = "none") -> list[tuple[object, ...]]:
    return [(patient, week, measure, limb, value) for week, value in by_week.items()]


def cohort_of(lines: list[tuple[object, ...]], **more: object) -> Cohort:
    visits = pd.DataFrame(lines, columns=["patient_id", "week", "measure", "limb", "value"])
    ids = list(dict.fromkeys(visits["patient_id"]))
    columns = {"protocol": ["a", "b"] * (len(ids) // 2) + ["a"] * (len(ids) % 2), "site": ["north"] * len(ids), **more}
    return Cohort(pd.DataFrame({"patient_id": ids, **columns}), visits)


@pytest.fixture
def four() -> Cohort:
    """Weeks 0, 6, 12: complete; missed 6; lost after 0; missed nothing until 6, then lost."""
    seen = {"P1": (0, 6, 12), "P2": (0, 12), "P3": (0,), "P4": (0, 6)}
    return cohort_of(
        [one for patient, weeks in seen.items() for one in rows(patient, "pain", dict.fromkeys(weeks, 4.0))]
    )


def test_completeness_counts_every_patient_at_every_scheduled_week(four: Cohort) -> None:
    table = quality.completeness(quality.expected_values(four), ["measure", "week"])
    assert table[["week", "seen", "expected"]].to_numpy().tolist() == [[0, 4, 4], [6, 2, 4], [12, 2, 4]]
    by_site = quality.completeness(quality.expected_values(four), ["site"])
    assert by_site[["site", "seen", "expected"]].to_numpy().tolist() == [["north", 8, 12]]
    two = replace(four, patients=four.patients.assign(site=["north", "south", "south", "north"]))
    apart = quality.completeness(quality.expected_values(two), ["site"])  # P1 and P4, P2 and P3
    assert apart[["site", "seen", "expected"]].to_numpy().tolist() == [["north", 5, 6], ["south", 3, 6]]


def test_patterns_are_monotone_or_intermittent(four: Cohort) -> None:
    table = quality.visit_patterns(four).set_index("patient_id")
    assert table["pattern"].to_dict() == {"P1": "complete", "P2": "intermittent", "P3": "monotone", "P4": "monotone"}
    assert table["lost"].to_dict() == {"P1": False, "P2": False, "P3": True, "P4": True}
    assert table["last_week"].tolist() == [12, 12, 0, 6]
    by = quality.patterns_by_protocol(table.reset_index()).set_index(["protocol", "pattern"])
    assert by.loc[("b", "intermittent"), ["patients", "of", "share"]].tolist() == [1, 2, 0.5]


def test_a_gap_before_being_lost_is_a_pattern_of_its_own() -> None:
    lines = [one for i in range(6) for one in rows(f"P{i}", "pain", {0: 4, 6: 3, 12: 2, 26: 1})]
    table = quality.visit_patterns(cohort_of([*lines, *rows("Q", "pain", {0: 5.0, 12: 4.0})])).set_index("patient_id")
    assert table.loc["Q", ["pattern", "lost"]].tolist() == ["intermittent, then lost", True]


def test_patterns_agree_with_those_that_were_generated() -> None:
    # the matrix of what is missing is known: a patient is lost where no value is seen at the last week
    made = generate_cohort(patients=120, seed=4).observed
    last = made.visits.loc[made.visits["value"].notna()].groupby("patient_id", observed=True)["week"].max()
    table = quality.visit_patterns(made).set_index("patient_id")
    assert table["lost"].to_dict() == (last.reindex(table.index) < 52).to_dict()


def test_lost_by_baseline_counts_thirds_and_labels(four: Cohort) -> None:
    table = quality.lost_by_baseline(four, quality.visit_patterns(four))
    protocol = table[table["characteristic"] == "protocol"].set_index("group")
    assert protocol[["lost", "patients"]].to_numpy().tolist() == [[1, 2], [1, 2]]
    assert (table.groupby("characteristic")["patients"].sum() == 4).all()
    assert thirds(pd.Series([float(i) for i in range(9)]), 0).unique().tolist() == ["0 to 2", "3 to 5", "6 to 8"]


def test_the_baseline_of_those_lost_is_the_last_value_up_to_the_start() -> None:
    """P0 has 9 two weeks before the start and 1 at it: among the lowest third, with P1."""
    starts = [1, 2, 4, 5, 7, 8]
    lines = [one for i, pain in enumerate(starts) for one in rows(f"P{i}", "pain", {0: float(pain), 6: 3.0})]
    cohort = cohort_of([*lines, *rows("P0", "pain", {-2: 9.0})])
    table = quality.lost_by_baseline(cohort, quality.visit_patterns(cohort))
    groups = table[table["characteristic"].str.startswith("Pain")]
    assert groups[["group", "patients"]].to_numpy().tolist() == [
        ["1.0 to 2.0", 2],
        ["4.0 to 5.0", 2],
        ["7.0 to 8.0", 2],
    ]


def test_timing_counts_visits_off_the_schedule() -> None:
    lines = [one for i in range(30) for one in rows(f"P{i}", "pain", {0: 4, 6: 3, 12: 2})]
    table = quality.visit_timing(cohort_of([*lines, *rows("Q", "pain", {0: 5.0, 7.5: 4.0, 9: 3.0})])).set_index("week")
    # 9 is as near to 6 as to 12: the earlier counts
    assert table.loc[6, ["at_week", "off_schedule", "latest", "median_off"]].tolist() == [30, 2, 9, 2.25]
    assert table.loc[0, ["at_week", "patients"]].tolist() == [31, 31]


def test_timing_counts_in_days() -> None:
    """Weeks scheduled on days 5 and 15, 13 and 27 and so on, with one visit on the day halfway between."""
    wrong = []
    for day in range(5, 60, 2):
        for apart in (3, 5, 6, 7):
            lines = [one for i in range(30) for one in rows(f"P{i}", "pain", {day / 7: 3, (day + 2 * apart) / 7: 2})]
            table = quality.visit_timing(cohort_of([*lines, *rows("Q", "pain", {(day + apart) * (1 / 7): 5.0})]))
            if table["off_schedule"].tolist() != [1, 0] or table["median_off"].iloc[0] != apart / 7:
                wrong.append((day, apart))
    assert wrong == []


def test_planted_impossible_and_unlikely_values_are_found_and_no_others() -> None:
    lines = []
    for i in range(4):
        lines += rows(f"P{i}", "quadriceps_torque", {0: 1.3 if i == 2 else 1.31 if i == 3 else 0.9}, "involved")
        lines += rows(f"P{i}", "quadriceps_torque", {0: 1.0}, "uninvolved")
        lines += rows(f"P{i}", "knee_flexion", {0: 8.0 if i == 1 else 120.0}, "involved")
        lines += rows(f"P{i}", "knee_extension", {0: -10.0}, "involved")
    found = quality.check_values(cohort_of(lines))
    assert found[["severity", "patient_id", "measure", "value"]].to_numpy().tolist() == [
        ["impossible", "P1", "arc_of_motion", pytest.approx(-2.0)],
        ["unlikely", "P3", "limb_symmetry_index", pytest.approx(131.0)],  # 130 itself is allowed
    ]
    assert set(found["site"]) == {"north"}


def test_a_change_against_the_trend_beyond_the_detectable_change_is_found() -> None:
    # flexion rises by 10 in everybody; the catalogue's detectable changes are 10 deg (2018 J Exp Orthop) and 14
    lines = [one for i in range(12) for one in rows(f"P{i:02d}", "knee_flexion", {6: 100.0, 12: 110.0}, "involved")]
    lines += rows("Q1", "knee_flexion", {6: 120.0, 12: 105.0}, "involved")
    lines += rows("Q2", "knee_flexion", {6: 120.0, 12: 110.0}, "involved")  # 10 is not more than 10
    lines += rows("Q3", "knee_flexion", {6: 90.0, 12: 130.0}, "involved")  # with the trend
    lines += rows("Q4", "knee_flexion", {6: 120.0, 12: 108.0}, "involved")  # 12 is more than the smaller one
    found = quality.unlikely_changes(cohort_of(lines))
    assert found[["patient_id", "week", "value"]].to_numpy().tolist() == [["Q1", 12.0, 105.0], ["Q4", 12.0, 108.0]]
    assert "changed by -15 deg since week 6, against a trend of +10" in found["problem"][0]


def test_ten_patients_make_a_trend() -> None:
    lines = [one for i in range(9) for one in rows(f"P{i}", "knee_flexion", {6: 100.0, 12: 110.0}, "involved")]
    lines += rows("Q", "knee_flexion", {6: 120.0, 12: 90.0}, "involved")
    assert quality.unlikely_changes(cohort_of(lines))["patient_id"].tolist() == ["Q"]


def test_without_enough_patients_there_is_no_trend() -> None:
    lines = [one for i in range(8) for one in rows(f"P{i}", "knee_flexion", {6: 100.0, 12: 110.0}, "involved")]
    assert quality.unlikely_changes(
        cohort_of([*lines, *rows("Q", "knee_flexion", {6: 120.0, 12: 90.0}, "involved")])
    ).empty


def test_digits_give_the_published_chi_square() -> None:
    # Takemori et al. 2001 (Jpn J Cardiovasc Dis Prev 36:157) and de Lusignan et al. 2004 test a uniform tenth; the value
    # by hand: counts 64 and nine times 4, expected 10: 54^2/10 + 9 x 6^2/10 = 324
    table = count_digits(pd.Series([0] * 64 + list(range(1, 10)) * 4))
    assert (table["n"], table["chi_square"], table["df"]) == (100, pytest.approx(324.0), 9.0)
    assert table["p_value"] < 1e-60
    assert table["share_0_or_5"] == pytest.approx(0.68)


def test_digits_of_a_rounded_measure_are_uneven_and_those_of_a_free_one_are_not() -> None:
    rng = np.random.default_rng(7)
    flexion = 5 * rng.integers(18, 29, 200).astype(float)
    flexion[:20] += rng.integers(-2, 3, 20)
    torque = np.round(rng.uniform(0.5, 3.0, 200), 2)
    lines = [one for i in range(200) for one in rows(f"P{i}", "knee_flexion", {0: flexion[i]}, "involved")]
    lines += [one for i in range(200) for one in rows(f"P{i}", "quadriceps_torque", {0: torque[i]}, "involved")]
    table = quality.digit_preference(cohort_of(lines)).set_index("measure")
    assert table.loc["knee_flexion", "share_0_or_5"] > 0.9
    assert table.loc["knee_flexion", "p_value"] < 1e-10
    assert table.loc["quadriceps_torque", ["place", "n"]].tolist() == [0.01, 200]
    assert table.loc["quadriceps_torque", "p_value"] > 0.001


def test_the_last_place_is_that_of_95_in_100_values() -> None:
    for halves, place in ((10, 1.0), (11, 0.1)):
        values = [90.0 + i % 40 + (0.5 if i < halves else 0.0) for i in range(200)]
        lines = [one for i, value in enumerate(values) for one in rows(f"P{i}", "knee_flexion", {0: value}, "involved")]
        assert quality.digit_preference(cohort_of(lines))["place"].tolist() == [place]


def by_site(counts: dict[str, tuple[int, int]]) -> Cohort:
    """Flexion with so many values that end in 0 or 5, and so many that do not, at each site; one value a patient."""
    values, sites = [], []
    for site, (round_ones, others) in counts.items():
        values += [90.0 + 5 * (i % 9) for i in range(round_ones)] + [91.0 + 5 * (i % 9) + i % 4 for i in range(others)]
        sites += [site] * (round_ones + others)
    lines = [one for i, value in enumerate(values) for one in rows(f"P{i:04d}", "knee_flexion", {0: value}, "involved")]
    return cohort_of(lines, site=sites)


def test_digits_are_counted_and_tested_at_each_site() -> None:
    table = quality.digits_by_site(by_site({"A": (60, 20), "B": (20, 60), "C": (15, 15)})).set_index("site")
    assert table[["ends_0_or_5", "n"]].to_numpy().tolist() == [[60, 80], [20, 80], [15, 30]]
    assert table.loc["A", "p_value"] < 1e-6
    assert np.isnan(table.loc["C", "p_value"])  # fewer than 50 values
    assert not table["hidden"].any()


def test_patients_without_a_site_are_a_group_of_their_own() -> None:
    cohort = by_site({"A": (30, 30), "B": (30, 30)})
    sites = cohort.patients["site"].where(cohort.patients["site"] == "A")
    table = quality.digits_by_site(replace(cohort, patients=cohort.patients.assign(site=sites)))
    assert table[["site", "n"]].to_numpy().tolist() == [["A", 60], ["not recorded", 60]]


@pytest.mark.parametrize(
    ("counts", "hidden"),
    [
        ({"A": (60, 90), "B": (40, 60), "C": (7, 60)}, "BC"),  # B too, or C would follow from the total
        ({"A": (60, 90), "B": (40, 60), "C": (60, 3)}, "BC"),
        ({"A": (60, 90), "B": (40, 60), "C": (0, 60)}, ""),  # zero may be shown
        ({"A": (60, 90), "B": (4, 60), "C": (7, 60)}, "BC"),  # of the 11 of B and C each may have any number
        ({"A": (60, 90), "B": (1, 60), "C": (2, 60)}, "ABC"),  # of 3 in both together neither may have 11
        ({"A": (60, 20), "B": (2, 5), "C": (60, 60), "D": (12, 1)}, "ABCD"),  # of the 7 values of B none can be 11
        ({"A": (8, 90), "B": (2, 60)}, "AB"),
        ({"A": (30, 30), "B": (3, 2), "C": (40, 41), "D": (1, 90)}, "BD"),
    ],
)
def test_small_counts_of_a_site_are_hidden_and_cannot_be_computed(
    counts: dict[str, tuple[int, int]], hidden: str
) -> None:
    table = quality.digits_by_site(by_site(counts)).set_index("site")
    assert set(table.index[table["hidden"]]) >= set(hidden)
    assert (
        table.loc[table["hidden"], ["n", "ends_0_or_5", "share_0_or_5", "chi_square", "p_value"]].isna().all(axis=None)
    )
    assert not quality.digits_by_site(by_site(counts), hide_small=False)["hidden"].any()
    # the attacker knows the number of values of each site, from the completeness, and the totals of all sites
    known = np.array([not table.loc[site, "hidden"] for site in counts])
    ends, others = (np.array(one) for one in zip(*counts.values(), strict=True))
    n = ends + others
    for cells in (ends, others):
        left = int(cells[~known].sum())
        for place in np.flatnonzero((cells > 0) & (cells <= 10)):
            lowest = max(0, left - (n[~known].sum() - n[place]))
            highest = min(n[place], left)
            assert lowest <= 1
            assert highest >= min(11, n[place], cells.sum())


@pytest.mark.slow
def test_the_digit_test_rejects_uniform_digits_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    rejected = sum(count_digits(pd.Series(rng.integers(0, 10, 200)))["p_value"] < 0.05 for _ in range(2000))
    assert 0.035 < rejected / 2000 < 0.065  # 0.05 and three simulation errors


def test_a_user_adds_a_rule_in_a_file_of_their_own(tmp_path: Path) -> None:
    path = tmp_path / "my_rules.toml"
    path.write_text(
        '[[rules]]\nmeasure = "pain"\nhighest = 8\nproblem = "pain above 8 after the start"\nsource = "our team"\n'
    )
    rules = quality.read_value_rules(path)
    lines = [*rows("P1", "pain", {0: 9.0}), *rows("P2", "pain", {0: 8.0})]
    found = quality.check_values(cohort_of(lines), (*quality.read_value_rules(), *rules))
    assert found[["patient_id", "problem", "severity"]].to_numpy().tolist() == [
        ["P1", "pain above 8 after the start", "unlikely"]
    ]


@pytest.mark.parametrize(
    "text",
    [
        "[[rules",
        '[[rules]]\nmeasure = "pain"\nproblem = "x"\n',
        '[[rules]]\nmeasure = "pain"\nproblem = "x"\nhighest = "8"\n',
        '[[rules]]\nmeasure = "pain"\nproblem = "x"\nhighest = 8\nseverity = "bad"\n',
        '[[rules]]\nmeasure = "pain"\nproblem = "x"\nhighest = 8\nhigh = 9\n',
    ],
)
def test_a_rule_that_cannot_be_used_is_explained(tmp_path: Path, text: str) -> None:
    path = tmp_path / "my_rules.toml"
    path.write_text(text)
    with pytest.raises(CohortError, match=r"rules? (?:for values )?cannot be (?:used|read)") as error:
        quality.read_value_rules(path)
    assert "my_rules.toml" in str(error.value)


def test_files_for_the_sites_are_safe_in_a_spreadsheet(tmp_path: Path) -> None:
    lines = [*rows("P1", "pain", {0: 4.0}), *rows("P2", "pain", {0: 40.0})]
    cohort = cohort_of(lines, note=["=HYPERLINK(1)", "plain"])
    findings = quality.all_findings(cohort, check_cohort(cohort), quality.check_values(cohort))
    files = quality.write_findings(findings, tmp_path / "out")
    text = "".join(path.read_text() for path in files)
    assert "findings_north.csv" in {path.name for path in files}
    assert "'=AAAAAAAAA(9)" in text
    for path in files:
        table = pd.read_csv(path, dtype="str", keep_default_na=False)
        assert not table.map(lambda cell: cell.startswith(("=", "@"))).to_numpy().any()
        assert list(table.columns[-3:]) == ["answer", "corrected_value", "answered_by"]
    with pytest.raises(CohortError, match="there already"):
        quality.write_findings(findings, tmp_path / "out")


def test_a_folder_with_errors_is_read_for_the_report_and_one_with_identifiers_is_not(
    tmp_path: Path, four: Cohort
) -> None:
    folder = write_cohort(four, tmp_path / "cohort")
    visits = folder / "visits.csv"
    visits.write_text(visits.read_text() + "P1,0,pain,none,6\nP9,0,pain,none,6\nP2,6,pain,none,60\n")
    cohort, checked = load_with_findings(folder)
    assert checked.n_errors == 3  # twice, a stranger, out of range
    assert len(cohort.visits) == 9  # the second value and the stranger's are left out, the odd value stays
    patients = folder / "patients.csv"
    lines = patients.read_text().splitlines()
    patients.write_text("\n".join([lines[0] + ",email", *(f"{line},a@example.org" for line in lines[1:])]) + "\n")
    with pytest.raises(DeidentificationError):
        load_with_findings(folder)
