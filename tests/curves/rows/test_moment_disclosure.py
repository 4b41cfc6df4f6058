"""What a file of moments gives away: attacked by solving for rows, and what is listed, refused and left out because of it."""

from collections import Counter

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from analysis.curves.formula.gathered import plan_moments, visit_moments
from analysis.curves.mixed_model import fit_mixed
from analysis.curves.rows.moments import read_moments
from analysis.errors import ModelError

from ..cohort_of_visits import visits

FIXED = "value ~ protocol * week + age"


def of_few(n, *, seed=3, others=30):
    """Give visits of ``others`` patients seen at all weeks and of ``n`` who lack the second one; values to 0.01."""
    rng = np.random.default_rng(seed)
    weeks = np.array([0.0, 6.0, 12.0, 26.0])
    frames = []
    for i in range(others + n):
        seen = weeks if i < others else weeks[[0, 2, 3]]
        values = np.round(rng.normal(50, 10) + rng.normal(0, 4, len(seen)), 2)
        protocol = ("usual", "early")[i % 2]
        frames.append(
            pd.DataFrame({"patient_id": i, "week": seen, "value": values, "protocol": protocol, "age": 20.0 + i})
        )
    return pd.concat(frames, ignore_index=True)


def sums_of_the_rare(moments):
    """Give sum u u' of the pattern without the second week: constant, age and the values at its three slots, shifts undone."""
    pattern = int(np.flatnonzero(~moments.seen[:, 1])[0])
    age = moments.patient_labels.index("age")
    first = len(moments.patient_labels)
    places = [0, age, *(first + slot for slot in (0, 2, 3))]
    back = np.eye(5)
    back[1, 0], back[2:, 0] = moments.patient_shifts[age], moments.outcome_shift
    return back @ moments.products[pattern][np.ix_(places, places)] @ back.T


def rows_from(sums, n, digits=2):
    """Find n rows with these sums of products and a constant of 1: all of them, or those whose numbers are round."""
    values, vectors = np.linalg.eigh(sums)
    factor = (vectors[:, -n:] * np.sqrt(values[-n:])).T  # the rows but for a rotation
    start = factor[:, 0] / np.sqrt(n)
    ones = np.ones(n) / np.sqrt(n)
    off = start - ones
    turn = np.eye(n) if off @ off < 1e-20 else np.eye(n) - 2 * np.outer(off, off) / (off @ off)
    rows = turn @ factor  # now the constants are 1; what is left turns about them
    if n == 1:
        return rows
    basis = np.linalg.qr(np.column_stack([ones, np.eye(n)[:, : n - 1]]))[0][:, 1:]
    flat = basis.T @ rows
    if n == 2:
        return min(
            (ones[:, None] * (ones @ rows) + basis @ (sign * flat) for sign in (1, -1)), key=lambda one: one[0, 1]
        )
    angle = np.linspace(0, 2 * np.pi, 200_001)
    found = []
    for mirror in (1, -1):
        turned = np.cos(angle)[:, None] * flat[0], np.sin(angle)[:, None] * mirror * flat[1]
        other = np.sin(angle)[:, None] * flat[0], np.cos(angle)[:, None] * mirror * flat[1]
        both = np.stack([turned[0] - turned[1], other[0] + other[1]], axis=1)  # (angles, 2, columns)
        tried = ones[:, None] * (ones @ rows) + np.einsum("ij,ajk->aik", basis, both)
        off = np.abs(tried[:, :, 1] - np.rint(tried[:, :, 1])).max(axis=1)
        rough = np.abs(tried[:, :, 2:] - np.round(tried[:, :, 2:], digits)).max(axis=(1, 2))
        at = int(np.argmin(off + rough))
        found.append((off[at] + rough[at], tried[at]))
    return min(found, key=lambda one: one[0])[1]


@pytest.mark.parametrize("n", [1, 2, 3])
def test_patterns_of_one_two_and_three_are_the_rows_of_their_patients(n):
    """The attack: values are known to 0.01, ages are whole. And the cell is listed."""
    frame = of_few(n)
    moments = visit_moments(frame, FIXED)
    rare = frame[frame["patient_id"] >= 30]
    truth = np.column_stack(
        [
            np.ones(n),
            rare.groupby("patient_id")["age"].first(),
            rare.pivot(index="patient_id", columns="week", values="value"),
        ]
    )
    found = rows_from(sums_of_the_rare(moments), n)
    found = found[np.argsort(found[:, 1])]
    assert_allclose(np.round(found, 2) if n < 3 else found, truth, atol=1e-6 if n < 3 else 0.02)
    listed = moments.disclosure().table
    cell = listed[(listed["weeks"] == "0, 12, 26") & (listed["level"] == "")]
    assert cell["patients"].tolist() == [n]
    assert cell["tells"].str.contains("row").all()


def test_a_level_that_one_patient_of_a_pattern_has_is_that_patients_row():
    frame = of_few(0, others=40)
    frame.loc[frame["patient_id"] == 7, "protocol"] = "other"
    moments = visit_moments(frame, FIXED)
    level = moments.patient_labels.index("protocol[other]")
    first = len(moments.patient_labels)
    values = moments.products[0][level, first:] + moments.outcome_shift
    assert_allclose(values, frame.loc[frame["patient_id"] == 7, "value"], atol=1e-9)
    found = moments.disclosure()
    cell = found.table[found.table["level"] == "protocol[other]"]
    assert cell["patients"].tolist() == [1]
    assert "the patient's whole row" in cell["tells"].iloc[0]
    assert found.n_cells == 3


def test_two_releases_tell_of_the_newcomer_and_the_words_say_that_cells_do_not_help():
    frame = of_few(0, others=40)
    plan = plan_moments(frame, FIXED)
    before = visit_moments(frame[frame["patient_id"] != 11], FIXED, plan=plan)
    after = visit_moments(frame, FIXED, plan=plan)
    assert not before.disclosure().small
    assert not after.disclosure().small
    new = after.products[0] - before.products[0]
    first = len(after.patient_labels)
    assert_allclose(new[0, first:] + after.outcome_shift, frame.loc[frame["patient_id"] == 11, "value"], atol=1e-8)
    assert "two releases tell of whoever is in one of them only" in repr(after.disclosure())
    assert "no anonymisation" in repr(after.disclosure())


def test_counts_of_the_cells_are_those_of_the_patients():
    frame = visits(patients=200)
    found = visit_moments(frame, "value ~ protocol * week + baseline").disclosure(8)
    weeks = frame.groupby("patient_id")["week"].agg(lambda at: ", ".join(f"{one:g}" for one in at))
    protocol = frame.groupby("patient_id")["protocol"].first().astype("str")
    patterns, cells = Counter(weeks), Counter(zip(weeks, protocol, strict=True))
    small = {(at, "", n) for at, n in patterns.items() if n < 8}
    small |= {(at, f"protocol[{one}]", n) for (at, one), n in cells.items() if n < min(8, patterns[at])}
    assert set(found.table[["weeks", "level", "patients"]].itertuples(index=False, name=None)) == small
    assert (found.n_patterns, found.n_cells, found.n_patients) == (len(patterns), len(cells), len(weeks))
    assert found.n_in_small == sum(n for at, n in patterns.items() if any(at == one for one, _, _ in small))


def test_a_file_with_small_cells_is_refused_unless_it_is_said_to_be_trusted(tmp_path):
    moments = visit_moments(of_few(2), FIXED)
    with pytest.raises(ModelError, match=r"would tell of single patients.*fewer than 10 patients") as raised:
        moments.save(tmp_path / "north")
    assert "trusted=True" in str(raised.value)
    assert "rows of both patients" in str(raised.value) or "whole row" in str(raised.value)
    assert list(tmp_path.iterdir()) == []
    path = moments.save(tmp_path / "north", trusted=True)
    assert '"trusted": true' in str(np.load(path)["words"])
    assert read_moments(path).n_patients == 32
    fine = visit_moments(of_few(0, others=60), FIXED)
    assert '"trusted": false' in str(np.load(fine.save(tmp_path / "south"))["words"])


@pytest.mark.parametrize("parts", [1, 3])
def test_who_is_left_out_leaves_no_small_cell(parts, tmp_path):
    frame = visits(patients=300)
    pieces = [frame[frame["patient_id"] % parts == i] for i in range(parts)]
    moments = visit_moments(frame if parts == 1 else pieces, "value ~ protocol * week + baseline", at_least=8)
    assert not moments.disclosure(8).small
    assert moments.left_out > 0
    assert moments.n_patients + moments.left_out == frame["patient_id"].nunique()
    moments.save(tmp_path / "file", k=8)
    fit = fit_mixed(moments, "value ~ protocol * week + baseline")
    assert any(f"{moments.left_out} patients with a rare pattern" in note for note in fit.record.notes)
    with pytest.raises(ModelError, match="No pattern and level has 999 patients or more"):
        visit_moments(frame, "value ~ week", at_least=999)
    with pytest.raises(ModelError, match="nobody can be left out of them"):
        visit_moments(iter(pieces), "value ~ week", plan=plan_moments(frame, "value ~ week"), at_least=8)


def solved(moments, frame, rare, cells):
    """The attack on one patient: sums over who has a level, less those of others who have it; the cells must be listed."""
    found = moments.disclosure()
    listed = found.table.set_index("level")["patients"]
    for cell in cells:
        assert listed[cell] == 1, cell
    truth = frame.loc[frame["patient_id"] == rare, "value"]
    return truth.to_numpy() - moments.outcome_shift


@pytest.mark.parametrize("planned", [True, False])
@pytest.mark.parametrize(("zero", "one", "kind"), [(0, 1, "int64"), (0, 1, "boolean"), (1, 2, "Int64"), (1, 0, "bool")])
def test_a_number_of_two_values_tells_as_much_as_a_category(tmp_path, zero, one, kind, planned):
    frame = of_few(0, others=40)
    frame["smoker"] = pd.Series(np.where(frame["patient_id"] == 7, one, zero), index=frame.index).astype(kind)
    fixed = "value ~ week + smoker + age"
    moments = visit_moments([frame] if planned else frame, fixed)
    truth = solved(moments, frame, 7, [f"smoker = {one}"])
    place, first = moments.patient_labels.index("smoker"), len(moments.patient_labels)
    sums = moments.products[0]
    other = sums[0, first:] * (moments.patient_shifts[place] - zero) + sums[place, first:]
    assert_allclose(other / (one - zero), truth, atol=1e-8)
    assert "age" not in " ".join(moments.disclosure().table["level"])
    with pytest.raises(ModelError, match="would tell of single patients"):
        moments.save(tmp_path / "north")


def test_a_combination_of_levels_is_a_cell_the_reference_too():
    """Patient 6 is the only man of his protocol; the interaction has no column for him, and the sums are a difference."""
    frame = of_few(0, others=80)
    frame["sex"] = np.where(frame["patient_id"] % 4 < 2, "f", "m")
    usual = frame["protocol"] == "usual"
    frame.loc[usual, "sex"] = np.where(frame.loc[usual, "patient_id"] == 6, "m", "f")
    moments = visit_moments(frame, "value ~ week * protocol * sex")
    truth = solved(moments, frame, 6, ["protocol[usual]:sex[m]"])
    names, first = moments.patient_labels, len(moments.patient_labels)
    sums = moments.products[0][:, first:]
    either = [name for name in names if ":" in name]
    assert either == ["protocol[usual]:sex[m]"]
    assert_allclose(sums[names.index(either[0])], truth, atol=1e-8)
    turned = frame.assign(sex=frame["sex"].map({"f": "z", "m": "a"}))  # now the rare level is the reference
    moments = visit_moments(turned, "value ~ week * protocol * sex")
    assert "protocol[usual]:sex[a]" not in moments.patient_labels
    solved(moments, turned, 6, ["protocol[usual]:sex[a]"])
    kept = visit_moments(turned, "value ~ week * protocol + sex").disclosure().table["level"]
    assert "protocol[usual]:sex[a]" not in set(kept)  # without the interaction there is a count only


def test_a_level_that_one_patient_has_at_one_visit_is_that_patients_row():
    frame = of_few(0, others=40)
    frame["brace"] = np.where((frame["patient_id"] == 7) & (frame["week"] == 6), "yes", "no")
    moments = visit_moments(frame, "value ~ week + brace")
    truth = solved(moments, frame, 7, ["brace[yes] at week 6"])
    slot = len(moments.patient_labels) + 1
    assert moments.visit_labels == ("brace[yes]",)
    assert_allclose(moments.products[0][slot, -4:], truth, atol=1e-8)
    turned = frame.assign(brace=frame["brace"].map({"yes": "a", "no": "b"}))
    moments = visit_moments(turned, "value ~ week + brace")
    assert "not brace[b] at week 6" in set(moments.disclosure().table["level"])


def test_all_who_are_left_out_are_counted_a_whole_part_of_them_too():
    frame = of_few(2, others=40)
    frame.loc[frame.index[:3], "value"] = np.nan
    rare = frame["patient_id"] >= 40
    found = visit_moments([frame[~rare], frame[rare]], FIXED, at_least=8)
    whole = visit_moments(frame, FIXED, at_least=8)
    assert found.left_out == whole.left_out == 3
    assert found.dropped == whole.dropped == 3


@pytest.mark.parametrize("fixed", ["value ~ week * protocol * sex", "value ~ protocol:sex:site + week"])
def test_who_is_left_out_leaves_no_small_combination(fixed):
    frame = visits(patients=600)
    frame["sex"] = np.where(frame["patient_id"] % 9 == 0, "m", "f")
    whole = visit_moments(frame, fixed)
    assert whole.disclosure(5).table["level"].str.contains(":").any()
    moments = visit_moments(frame, fixed, at_least=5)
    assert not moments.disclosure(5).small
    assert 0 < moments.left_out < 300
    assert moments.n_patients + moments.left_out == whole.n_patients


@pytest.mark.parametrize("k", [1, 0, -1, "10", 2.5, None])
def test_a_size_by_which_every_cell_is_large_is_refused(tmp_path, k):
    """Once save(k=0) wrote single rows into a file that did not call itself trusted."""
    with pytest.raises(ModelError, match="Give a whole number from 2 on"):
        visit_moments(of_few(1), FIXED).save(tmp_path / "north", k=k)
    assert list(tmp_path.iterdir()) == []


def test_a_combination_is_listed_once():
    frame = of_few(0, others=80).assign(sex=lambda rows: np.where(rows["patient_id"] % 20 < 2, "f", "m"))
    levels = visit_moments(frame, "value ~ week * protocol * sex").disclosure().table["level"]
    assert sorted(levels) == ["protocol[early]:sex[f]", "protocol[usual]:sex[f]", "sex[f]"]
