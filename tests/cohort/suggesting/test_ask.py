"""Each open line of a suggested map asked: what is offered, what an answer makes of the line, what stopping leaves."""

import random
import tomllib

import pandas as pd
import pytest

from analysis.cohort import import_cohort, suggest_map
from analysis.cohort.suggesting.ask import answer_map
from analysis.errors import CohortError

from .corpus.corpus import styles


class Person:
    """Types the given answers in turn, and remembers what was asked; then stops, as with the end of the input."""

    def __init__(self, *typed):
        self.typed, self.asked = list(typed), []

    def __call__(self, question):
        self.asked.append(question)
        if not self.typed:
            raise EOFError
        return self.typed.pop(0)


@pytest.fixture
def asked(tmp_path):
    """Ask about a table, check that every answer was used, and give the map, what became of it, and the questions."""

    def ask(columns, *typed):
        data = tmp_path / "data.csv"
        pd.DataFrame(columns).to_csv(data, index=False)
        person = Person(*typed)
        answered = answer_map(data, tmp_path / "map.toml", person)
        assert not person.typed
        return tomllib.loads((tmp_path / "map.toml").read_text()), answered, person.asked

    return ask


LONG = {"id": list("aabb"), "week": [0, 6, 0, 6], "pain": [5, 3, 6, 2]}


def test_a_file_without_a_protocol_and_another_column_chosen(asked):
    made, answered, questions = asked(LONG | {"got": ["usual", "usual", "early", "early"]}, "9", "4", "1", "")
    assert made["patients"]["protocol"] == "got"
    assert made["reference"] == "usual"
    assert (answered.left, answered.stopped) == (0, False)
    assert "3  pain: numbers from 2 to 6" in questions[0]
    assert "4  got: labels: usual, early" in questions[0]
    assert "(Enter: 5)" in questions[0]  # none, as suggested
    assert questions[1].startswith("'9' is none of the numbers.")
    assert "Which protocol are the others compared with?" in questions[2]
    assert made["privacy"] == "safe-harbor"
    assert "a data use agreement or the organisation's own quality work" in questions[3]


QUARTERS = LONG | {"arm": list("uuee"), "quarter": ["2026-Q1", "2026-Q1", "2026-Q2", "2026-Q2"]}


@pytest.mark.parametrize(("typed", "level"), [("2", "limited"), ("1", "safe-harbor"), ("", "safe-harbor")])
def test_the_level_is_asked_and_brings_the_quarter_where_it_may(asked, tmp_path, typed, level):
    made, answered, _ = asked(QUARTERS, "1", typed)
    assert (made["privacy"], answered.left) == (level, 0)
    cohort = import_cohort(tmp_path / "data.csv", tmp_path / "map.toml").cohort
    assert cohort.privacy == level
    assert ("quarter" in cohort.patients) == (level == "limited")


def test_where_nobody_is_asked_the_level_is_a_line_to_uncomment(tmp_path):
    pd.DataFrame(QUARTERS).to_csv(tmp_path / "data.csv", index=False)
    suggest_map(tmp_path / "data.csv", tmp_path / "map.toml")
    text = (tmp_path / "map.toml").read_text()
    assert {"privacy", "quarter"}.isdisjoint(tomllib.loads(text) | tomllib.loads(text)["patients"])
    assert "#   limited: may keep the quarter of the start too" in text
    lines = [line[2:] if line.startswith(("# privacy = ", "# quarter = ")) else line for line in text.splitlines()]
    (tmp_path / "open.toml").write_text("\n".join(lines))
    cohort = import_cohort(tmp_path / "data.csv", tmp_path / "open.toml").cohort
    assert (cohort.privacy, cohort.patients["quarter"].tolist()) == ("limited", ["2026-Q1", "2026-Q2"])


OPERATED = LONG | {"arm": list("uuee"), "procedure": ["meniscus repair"] * 4}


@pytest.mark.parametrize(
    ("typed", "counted_from"), [("1", "surgery"), ("2", "surgery"), ("3", "programme"), ("4", None), ("", None)]
)
def test_what_week_0_is_is_asked_where_a_procedure_is_known(asked, tmp_path, typed, counted_from):
    made, answered, questions = asked(OPERATED, "y", typed, "")
    assert made["week"].get("counted_from") == counted_from
    assert answered.left == 0
    assert questions[1].startswith("\nWeek 0: what is week 0: surgery, or the start of a programme after it?")
    assert "1  surgery, and the baseline was measured before it" in questions[1]
    assert "(Enter: 4)" in questions[1]
    cohort = import_cohort(tmp_path / "data.csv", tmp_path / "map.toml").cohort
    assert cohort.counted_from == counted_from
    assert ("first after start" in (tmp_path / "map.toml").read_text()) == (typed == "2")


def test_week_0_is_not_asked_about_where_the_procedure_was_left_out(asked):
    made, answered, questions = asked(OPERATED, "", "")
    assert "counted_from" not in made["week"]
    assert answered.left == 0
    assert not any("week 0" in one for one in questions)


def test_what_week_0_is_is_an_open_line_and_no_claim_until_it_is_answered(tmp_path):
    for name, columns in {
        "long": OPERATED,
        "wide": {
            "id": list("ab"),
            "arm": list("ue"),
            "procedure": ["meniscus repair"] * 2,
            "pain_pre": [5, 6],
            "pain_6w": [3, 2],
        },
        "visits": {key: OPERATED[key] for key in ("id", "arm", "procedure", "pain")}
        | {"visit": ["Baseline", "Week 6"] * 2},
    }.items():
        data = tmp_path / f"{name}.csv"
        pd.DataFrame(columns).to_csv(data, index=False)
        suggest_map(data, tmp_path / f"{name}.toml")
        text = (tmp_path / f"{name}.toml").read_text()
        assert text.count('# counted_from = "surgery"  # not sure: what is week 0') == 1, name
        assert "counted_from" not in tomllib.loads(text).get("week", {}), name
        cohort = import_cohort(data, tmp_path / f"{name}.toml").cohort
        assert cohort.counted_from is None
        answer_map(data, tmp_path / f"{name}.toml", Person("y", "3", "", ""))
        assert import_cohort(data, tmp_path / f"{name}.toml").cohort.counted_from == "programme", name


@pytest.mark.parametrize(
    "columns",
    [LONG | {"arm": list("uuee")}, {"weeks_postop" if key == "week" else key: one for key, one in OPERATED.items()}],
)
def test_without_a_procedure_or_where_a_name_says_surgery_nothing_is_asked_about_week_0(tmp_path, columns):
    pd.DataFrame(columns).to_csv(tmp_path / "data.csv", index=False)
    suggest_map(tmp_path / "data.csv", tmp_path / "map.toml")
    assert "what is week 0" not in (tmp_path / "map.toml").read_text()


def test_texts_are_asked_about_by_their_shape(asked):
    *_, questions = asked(LONG | {"remark": ["Amberg saw 12", "Boda", "none by Celik", "Dorn"]}, "")
    assert not any(name in "".join(questions) for name in ("Amberg", "Boda", "Celik", "Dorn"))
    assert "labels: Aaaaaa aaa 99" in questions[0]


def test_time_in_a_column_that_no_name_tells(asked, tmp_path):
    numbers = {"id": list("aabb"), "arm": list("uuee"), "pain": [5, 3, 6, 2]}
    made, _, questions = asked(numbers | {"moment": [0, 42, 0, 42]}, "4", "1", "")
    assert made["week"] == {"column": "moment", "unit": "days"}
    assert "1  days" in questions[1]
    (tmp_path / "map.toml").unlink()
    made, *_ = asked(numbers | {"moment": ["start", "end", "start", "end"]}, "4", "0", "soon", "3 mo", "")
    assert made["week"] == {"column": "moment", "names": {"start": 0, "end": "3 months"}}


def test_visits_by_names_that_tell_no_time(asked, tmp_path):
    visit = {"visit": ["Baseline", "Second look", "Baseline", "Second look"]}
    made, _, questions = asked({"id": list("aabb"), "arm": list("uuee"), **visit, "pain": [5, 3, 6, 2]}, "6", "1")
    assert made["week"]["names"]["Second look"] == 6
    assert "When is the visit" in questions[0]
    assert sorted(import_cohort(tmp_path / "data.csv", tmp_path / "map.toml").cohort.visits["week"].unique()) == [0, 6]


def test_a_visit_whose_name_may_say_too_much_is_shown_by_its_shape(asked):
    visit = {"visit": ["Baseline", "Seen by Amberg", "Baseline", "Seen by Amberg"]}
    made, _, questions = asked({"id": list("aabb"), "arm": list("uuee"), **visit, "pain": [5, 3, 6, 2]}, "6", "")
    assert "Amberg" not in "".join(questions)
    assert '"Aaaa aa Aaaaaa"' in questions[0]
    assert made["week"]["names"]["Seen by Amberg"] == 6


def test_right_and_left_without_the_operated_side(asked):
    table = {"id": list("ab"), "arm": list("ue"), "Flex R 0w": [90, 80], "Flex L 0w": [120, 130], "Flex R 6w": [110, 90],
             "Flex L 6w": [125, 130], "knee": ["right", "left"]}  # fmt: skip
    made, _, questions = asked(table, "3", "7", "4", "")
    assert made["patients"]["involved_side"] == "knee"
    assert [one["limb"] for one in made["values"]] == ["right", "left"]
    assert "In which column is the operated side?" in "".join(questions)


def test_dates_of_which_no_day_is_above_twelve(asked):
    table = LONG | {
        "arm": list("uuee"),
        "surgery_date": ["03/04/2024"] * 4,
        "visit_date": ["03/04/2024", "05/06/2024"] * 2,
    }
    made, _, questions = asked({key: table[key] for key in table if key != "week"}, "", "2", "")
    assert made["week"]["date_format"] == "%m/%d/%Y"
    assert "1  day/month/year" in questions[0]
    assert "Enter" not in questions[0].splitlines()[-1]  # neither order is likelier


def test_a_measure_in_another_unit_is_left_out_unless_a_person_says_what_it_is(asked, tmp_path):
    table = LONG | {"arm": list("uuee"), "Quad (kg)": [30, 40, 20, 35]}
    made, _, questions = asked(table, "", "")
    assert [one["measure"] for one in made["values"]] == ["pain"]
    assert "Quad (kg) (numbers from 20 to 40)" in questions[0]
    assert "quadriceps torque, N·m/kg, 0 to 6" in questions[0]
    (tmp_path / "map.toml").unlink()
    made, _, questions = asked(table, "?", "hamstrings", "thigh girth", "")
    assert [one["measure"] for one in made["values"]] == ["pain", "thigh_girth"]
    assert "oxford_knee_score" in questions[1]
    assert "'hamstrings' is no known measure." in questions[2]


def test_a_measure_of_ones_own(asked, tmp_path):
    table = {
        "id": list("ab"),
        "arm": list("ue"),
        "mood pre": [3, 4],
        "mood 6w": [5, 6],
        "pain 0w": [5, 6],
        "pain 6w": [2, 3],
    }
    made, _, questions = asked(table, "2", "marks", "x", "1", "7,5", "")
    assert made["measures"]["mood"] == {"unit": "marks", "direction": "lower is better", "lowest": 1, "highest": 7.5}
    assert "mood pre (numbers from 3 to 4) is no known measure" in questions[0]
    (tmp_path / "map.toml").unlink()
    made, *_ = asked(table, "", "")
    assert "measures" not in made
    assert [one["measure"] for one in made["values"]] == ["pain"]


def test_measures_below_each_other(asked):
    table = {"id": list("aaaa") + list("bbbb"), "arm": list("uuuueeee"), "week": [0, 0, 6, 6] * 2, "test": ["Pain", "Hop"] * 4,
             "result": range(8)}  # fmt: skip
    made, _, questions = asked(table | {"test": ["Pain", "Quads force"] * 4}, "quadriceps torque nm", "1", "")
    assert made["values"][0]["measures"] == {"Pain": "pain", "Quads force": "quadriceps_torque_nm involved"}
    assert not any("What is Pain" in one for one in questions)


def test_numbers_without_a_unit_in_the_names(asked):
    table = {
        "id": list("ab"),
        "arm": list("ue"),
        "pain1": [6, 7],
        "pain2": [3, 4],
        "lefs_pre": [30, 40],
        "lefs_6w": [50, 60],
    }
    made, _, questions = asked(table, "0", "6 wk", "")
    assert made["values"][0]["columns"] == {"pain1": 0, "pain2": "6 weeks"}
    assert "pain1" in questions[0]


def test_stopping_keeps_the_answers_and_goes_on_there(asked, tmp_path):
    table = {
        "id": list("ab"),
        "got": list("ue"),
        "Pain1": [6, 7],
        "Pain2": [3, 4],
        "mood pre": [3, 4],
        "mood 6w": [5, 6],
    }
    made, answered, _ = asked(table, "2")
    assert (answered.left > 0, answered.stopped) == (True, True)
    assert made["patients"]["protocol"] == "got"
    assert f"# Lines to answer: {answered.left}." in (tmp_path / "map.toml").read_text()
    person = Person("0", "6", "", "", "")
    again = answer_map(tmp_path / "data.csv", tmp_path / "map.toml", person)
    assert (again.left, again.stopped) == (0, False)
    assert not any("The protocol" in one for one in person.asked)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["data.csv", "map.toml"]
    assert not import_cohort(tmp_path / "data.csv", tmp_path / "map.toml").cohort.visits.empty


def test_stopping_before_the_first_answer_writes_nothing(tmp_path):
    pd.DataFrame(LONG).to_csv(tmp_path / "data.csv", index=False)
    answered = answer_map(tmp_path / "data.csv", tmp_path / "map.toml", Person())
    assert answered.stopped
    assert [one.name for one in tmp_path.iterdir()] == ["data.csv"]


def test_a_map_that_is_broken_is_not_asked_about(tmp_path):
    pd.DataFrame(LONG).to_csv(tmp_path / "data.csv", index=False)
    (tmp_path / "map.toml").write_text("[patients\n")
    with pytest.raises(CohortError, match="TOML"):
        answer_map(tmp_path / "data.csv", tmp_path / "map.toml", Person("1"))
    assert (tmp_path / "map.toml").read_text() == "[patients\n"


@pytest.mark.slow
def test_whatever_is_typed_ends_in_a_map_without_marks(tmp_path):
    """Every style of the corpus with an open line, with random answers: a map that is read, and imports or says why not."""
    imported = refused = 0
    for i, style in enumerate(styles(tmp_path)):
        target = style.path.with_suffix(".toml")
        try:
            if not suggest_map(style.path, target):
                continue
        except CohortError:
            continue
        rng = random.Random(i)
        asked = []

        def answer(question, rng=rng, asked=asked):
            asked.append(question)
            return rng.choice(["", "1", "2", "3", "4", "y", "6 weeks", "?", "nonsense", "pain", "12"])

        answered = answer_map(style.path, target, answer)
        text = target.read_text(encoding="utf-8")
        assert (answered.left, answered.stopped) == (0, False)
        assert "# not sure" not in text
        assert asked
        tomllib.loads(text)
        try:
            import_cohort(style.path, target)
            imported += 1
        except CohortError:
            refused += 1
    assert imported >= 5
    assert refused >= 1


def test_a_question_shows_the_column_that_it_is_about(asked):
    columns = {
        "Pat-ID": ["a", "b"],
        "arm": ["usual", "early"],
        "OP-Knie": ["1", "2"],
        "pain_pre": [4, 5],
        "pain_w6": [2, 3],
    }
    _, _, questions = asked(columns, "y", "")
    assert any("OP-Knie (" in one and "as involved_side" in one for one in questions), questions
