"""A person decides: in a file, at a terminal, by name; decisions are used again, and only for what they were made for."""

from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from analysis.__main__ import app
from analysis.cohort import ask_columns, deidentify, review_columns
from analysis.cohort.deidentification.review import read_review
from analysis.errors import CohortError, DeidentificationError

N = 30


def table(**columns):
    given = {
        "id": [f"M{i}" for i in range(N)],
        "koos_pain": [40 + (7 * i) % 31 for i in range(N)],
        "Ward 7 score": [round(1.5 + (5 * i) % 11, 1) for i in range(N)],
        "Seen by Ms Amberg": ["Amberg", "Boda", "Amberg"] * 10,
    }
    return pd.DataFrame(given | columns)


@pytest.fixture
def source(tmp_path):
    def write(frame=None, name="clinic"):
        place = tmp_path / "source"
        place.mkdir(exist_ok=True)
        (table() if frame is None else frame).to_csv(place / f"{name}.csv", index=False)
        return place / f"{name}.csv"

    return write


def decide(path: Path, column: str, **lines: str) -> None:
    """Write a decision into a review as a person would in an editor."""
    blocks = path.read_text(encoding="utf-8").split("[[columns]]")
    for place, block in enumerate(blocks):
        if f'column = "{column}"' in block:
            changed = block
            for key, text in lines.items():
                start = changed.index(f"\n{key} = ")
                changed = changed[: start + 1] + f"{key} = {text}" + changed[changed.index("\n", start + 1) :]
            blocks[place] = changed
    path.write_text("[[columns]]".join(blocks), encoding="utf-8")


def test_a_review_has_a_block_a_column_and_no_cell(source, tmp_path):
    review = review_columns(source(), patient="id")
    assert [one.column for one in review.columns] == ["koos_pain", "Ward 7 score", "Seen by Ms Amberg"]
    text = review.write(tmp_path / "review.toml").read_text(encoding="utf-8")
    assert 'Amberg"' not in text.replace("Seen by Ms Amberg", "")
    assert "Boda" not in text
    assert 'shapes = ["Aaaaaa", "Aaaa"]' in text
    assert [one.column for one in review.undecided] == ["Ward 7 score", "Seen by Ms Amberg"]
    assert "2 withheld until a person decides" in str(review)


def test_a_decision_is_carried_out_and_used_again_and_a_new_column_is_withheld(source, tmp_path):
    path = review_columns(source(), patient="id").write(tmp_path / "review.toml")
    decide(path, "Ward 7 score", decision='"keep"', may_see='"anyone"', name='"score"')
    decide(path, "Seen by Ms Amberg", decision='"number"', may_see='"anyone"')
    new = source(table(colour=["red", "green"] * 15), name="clinic_export")
    source().unlink()
    deidentify(new, tmp_path / "out", patient="id", decisions=path)
    kept = pd.read_csv(tmp_path / "out" / "clinic_export.csv")
    assert list(kept.columns) == ["patient_id", "koos_pain", "score", "Seen by Ms Amberg"]
    assert set(kept["Seen by Ms Amberg"]) == {"label 1", "label 2"}
    again = review_columns(new, patient="id", decisions=path)
    assert [one.column for one in again.undecided] == ["colour"]


@pytest.mark.parametrize(
    ("column", "lines", "message"),
    [
        ("Ward 7 score", {"decision": '"stay"'}, "has the decision 'stay'"),
        ("Ward 7 score", {"decision": '"keep"'}, "does not say who may see it"),
        ("Seen by Ms Amberg", {"decision": '"codes"', "may_see": '"anyone"'}, "no code is listed"),
        ("Seen by Ms Amberg", {"decision": '"keep"', "may_see": '"anyone"'}, "holds no numbers: decide codes"),
        ("Ward 7 score", {"may_see": '"all"'}, "has may_see = 'all'"),
        ("Ward 7 score", {"codes": "[1]"}, "codes that are no list of texts"),
        ("Ward 7 score", {"distinct": "1\nnew = 2"}, "unknown key 'new'"),
    ],
)
def test_a_decision_that_is_none_is_explained(source, tmp_path, column, lines, message):
    path = review_columns(source(), patient="id").write(tmp_path / "review.toml")
    decide(path, column, **lines)
    with pytest.raises(CohortError, match=message):
        read_review(path)


def test_only_columns_that_wait_for_a_person_are_said_to_wait(source, tmp_path):
    columns = {"empty": [None] * N, "phone": [f"555-010-{1000 + i}" for i in range(N)]}
    path = review_columns(source(table(**columns)), patient="id").write(tmp_path / "review.toml")
    decide(path, "Seen by Ms Amberg", decision='"withhold"')
    report = deidentify(source(table(**columns)), tmp_path / "out", patient="id", decisions=path)
    done = report.actions.set_index("found")["done"]
    assert (done["no value"], done["by a person's decision"]) == ("left out", "left out")
    assert done["a telephone number, by the name of the column"] == "removed"
    assert len(report.withheld) == 1
    assert "1 column is withheld until a person permits it." in report.to_text()


def test_a_column_that_has_changed_since_is_withheld(source, tmp_path):
    path = review_columns(source(), patient="id").write(tmp_path / "review.toml")
    decide(path, "Ward 7 score", decision='"keep"', may_see='"anyone"')
    texts = source(table(**{"Ward 7 score": ["came late", "came early", "Ms Boda"] * 10}))
    longer = {"Ward 7 score": [4711.5 + i for i in range(N)]}
    for place, file in (("a", texts), ("b", None)):
        report = deidentify(file or source(table(**longer)), tmp_path / place, patient="id", decisions=path)
        assert "Ward 7 score" not in pd.read_csv(tmp_path / place / "clinic.csv")
        assert "when it was permitted" in report.to_text()


def test_one_cell_that_is_no_number_is_emptied_in_a_column_that_was_permitted(source, tmp_path):
    scores = [*(["1.5", "2.5"] * 14), "ask Ms Boda", "n/a"]
    path = review_columns(source(table(**{"Ward 7 score": [1.5, 2.5] * 15})), patient="id").write(tmp_path / "r.toml")
    decide(path, "Ward 7 score", decision='"keep"', may_see='"anyone"', name='"score"')
    report = deidentify(source(table(**{"Ward 7 score": scores})), tmp_path / "out", patient="id", decisions=path)
    assert "1 cell that is no number emptied" in report.to_text()
    assert pd.read_csv(tmp_path / "out" / "clinic.csv")["score"].count() == 28


def test_codes_are_a_fixed_list_and_labels_are_shown_for_confirmation(source, tmp_path):
    lists = {"grade": ["pale", "dark", "dark"] * 10}
    path = review_columns(source(table(**lists)), patient="id").write(tmp_path / "review.toml")
    decide(path, "grade", decision='"codes"', codes='["pale", "dark"]', may_see='"anyone"')
    more = {"grade": [*(["pale", "dark"] * 14), "Boda", "dark"]}
    report = deidentify(source(table(**more)), tmp_path / "out", patient="id", decisions=path)
    assert set(pd.read_csv(tmp_path / "out" / "clinic.csv")["grade"].dropna()) == {"pale", "dark"}
    assert "Labels kept, to be confirmed: clinic.grade: pale, dark" in report.to_text()
    assert "1 cell that is none of them emptied" in report.to_text()
    assert "Boda" not in report.to_text()


def test_codes_that_look_like_identifiers_are_refused(source, tmp_path):
    path = review_columns(source(), patient="id").write(tmp_path / "review.toml")
    decide(path, "Seen by Ms Amberg", decision='"codes"', codes='["call 555-010-9999"]', may_see='"anyone"')
    with pytest.raises(DeidentificationError, match="codes that may stay look like a telephone number"):
        deidentify(source(), tmp_path / "out", patient="id", decisions=path)


def test_ages_as_texts_and_under_another_name_are_seen(source, tmp_path):
    columns = {"Years": [20 + (7 * i) % 75 for i in range(N)], "Yrs": ["40", "91+", "88"] * 10}
    path = review_columns(source(table(**columns)), patient="id").write(tmp_path / "review.toml")
    assert read_review(path).columns[-2].proposed == "cap"
    decide(path, "Yrs", decision='"codes"', codes='["40", "91+", "88"]', may_see='"anyone"')
    with pytest.raises(DeidentificationError, match="codes that may stay look like an age over 89"):
        deidentify(source(table(**columns)), tmp_path / "out", patient="id", decisions=path)


def test_labels_of_protocols_are_shown_for_confirmation_though_they_are_known(source, tmp_path):
    report = deidentify(source(table(arm=["usual", "early motion"] * 15)), tmp_path / "out", patient="id")
    assert report.to_confirm == ("clinic.arm: usual, early motion",)


def test_rare_codes_become_other(source, tmp_path):
    lists = {"grade": [*["pale"] * 15, *["dark"] * 13, "grey", "blue"]}
    path = review_columns(source(table(**lists)), patient="id").write(tmp_path / "review.toml")
    decide(path, "grade", decision='"group"', codes='["pale", "dark", "grey", "blue"]', may_see='"anyone"')
    deidentify(source(table(**lists)), tmp_path / "out", patient="id", decisions=path)
    counts = pd.read_csv(tmp_path / "out" / "clinic.csv")["grade"].value_counts().to_dict()
    assert counts == {"pale": 15, "dark": 13, "other": 2}


def test_what_only_the_organisation_may_see_goes_at_the_safe_harbor_level(source, tmp_path):
    path = review_columns(source(), patient="id").write(tmp_path / "review.toml")
    decide(path, "Ward 7 score", decision='"keep"', may_see='"inside"', name='"score"')
    for level, there in (("safe-harbor", False), ("limited", True)):
        deidentify(source(), tmp_path / level, patient="id", decisions=path, level=level)
        assert ("score" in pd.read_csv(tmp_path / level / "clinic.csv")) is there


def test_a_decision_does_not_let_a_time_to_the_export_pass(source, tmp_path):
    starts = pd.Series(pd.date_range("2022-01-03", periods=N, freq="9D"))
    weeks = {"surgery": starts.dt.strftime("%Y-%m-%d"), "w": (pd.Timestamp("2023-06-30") - starts).dt.days / 7}
    file = source(table(**weeks))
    path = review_columns(file, patient="id", start="surgery").write(tmp_path / "review.toml")
    decide(path, "w", decision='"keep"', may_see='"anyone"')
    report = deidentify(file, tmp_path / "out", patient="id", start="surgery", decisions=path)
    assert "w" not in pd.read_csv(tmp_path / "out" / "clinic.csv")
    assert "give back the start" in report.to_text()


def test_a_person_at_a_terminal_is_asked_column_by_column(source):
    review = review_columns(source(table(grade=["pale", "dark"] * 15)), patient="id")
    asked = []
    typed = iter(["k", "a", "", "k", "i"])

    def answer(question):
        asked.append(question)
        return next(typed)

    done = {one.column: one for one in ask_columns(review, answer).columns}
    assert (done["Ward 7 score"].decision, done["Ward 7 score"].may_see) == ("keep", "anyone")
    assert done["Seen by Ms Amberg"].decision is None
    assert (done["grade"].decision, done["grade"].codes, done["grade"].may_see) == ("codes", ("dark", "pale"), "inside")
    assert "labels: Amberg, Boda" in asked[2]


def test_the_command_writes_a_review_and_never_over_another_file(source, tmp_path):
    file, path = source(), tmp_path / "review.toml"
    done = CliRunner().invoke(app, ["deidentify", str(file), "--patient", "id", "--review", str(path)])
    assert done.exit_code == 0, done.output
    assert "withheld until a person decides: 2" in done.output
    again = ["deidentify", str(file), "--patient", "id", "--review", str(path)]
    assert CliRunner().invoke(app, again).exit_code == 1
    decide(path, "Ward 7 score", decision='"keep"', may_see='"anyone"')
    assert CliRunner().invoke(app, [*again, "--decisions", str(path)]).exit_code == 0
    assert read_review(path).of("clinic", "Ward 7 score").decision == "keep"
    assert CliRunner().invoke(app, ["deidentify", str(file), "--patient", "id"]).exit_code == 1


@pytest.mark.parametrize(
    ("codes", "problem"),
    [
        ([f"0155501{i:04d}" for i in range(N)], "hold numbers of 5 digits or more"),
        ([f"A {i}" for i in range(N)], "are of one patient each"),
        (["555-0142", "other"], "hold numbers of 5 digits or more"),
        (["Maria", "other"], "look like given names of people"),
    ],
)
def test_codes_that_tell_single_patients_apart_never_pass(source, tmp_path, codes, problem):
    frame = table(group=[codes[i % len(codes)] for i in range(N)])
    file = review_columns(source(frame), patient="id").write(tmp_path / "review.toml")
    listed = "[" + ", ".join(f'"{code}"' for code in codes) + "]"
    decide(file, "group", decision='"codes"', may_see='"anyone"', codes=listed)
    with pytest.raises(DeidentificationError, match=f"The codes that may stay {problem}"):
        deidentify(source(frame), tmp_path / "out", patient="id", decisions=file)
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("name", ["../../x", "=1+1", "patient_id", "maria_7", "7", "a\\u001bb"])
def test_a_column_gets_no_name_of_a_path_a_formula_or_a_person(source, tmp_path, name):
    file = review_columns(source(), patient="id").write(tmp_path / "review.toml")
    decide(file, "Ward 7 score", decision='"keep"', may_see='"anyone"', name=f'"{name}"')
    with pytest.raises(CohortError, match="is to be called"):
        read_review(file)


def test_a_column_that_is_decided_twice_is_refused(source, tmp_path):
    file = review_columns(source(), patient="id").write(tmp_path / "review.toml")
    decide(file, "Ward 7 score", decision='"keep"', may_see='"anyone"')
    text = file.read_text(encoding="utf-8")
    file.write_text(text + text[text.index("[[columns]]") :], encoding="utf-8")
    with pytest.raises(CohortError, match="is decided twice"):
        read_review(file)


def notes(**columns):
    cells = [None] * N
    cells[3], cells[9] = "speaks Turkish", "will move to her daughter"
    return table(Comment=cells, **columns)


def test_the_review_proposes_no_labels_of_notes_and_asks_nothing_about_them(source):
    review = review_columns(source(notes()), patient="id")
    block = next(one for one in review.columns if one.column == "Comment")
    assert (block.proposed, block.seems, block.withheld, block.labels) == ("withhold", "texts", True, ())
    asked = []
    ask_columns(review, lambda question: asked.append(question) or "")
    assert not any("Comment" in question for question in asked)


def test_notes_go_by_themselves_and_stay_only_by_a_decision_that_lists_them(source, tmp_path):
    given, out = source(notes()), tmp_path / "out"
    done = deidentify(given, out, patient="id")
    assert "Turkish" not in (out / "clinic.csv").read_text()
    assert "notes, by the name of the column" in done.to_text()
    with pytest.raises(DeidentificationError, match="it holds texts"):
        deidentify(given, tmp_path / "kept", patient="id", keep=["Comment"])
    path = review_columns(given, patient="id").write(tmp_path / "review.toml")
    decide(path, "Comment", decision='"codes"', codes='["speaks Turkish"]', may_see='"anyone"')
    deidentify(given, tmp_path / "decided", patient="id", decisions=path)
    written = (tmp_path / "decided" / "clinic.csv").read_text()
    assert "speaks Turkish" in written
    assert "daughter" not in written
