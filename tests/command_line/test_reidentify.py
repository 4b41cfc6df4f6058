"""kneecurve reidentify: what a key holder is told, and that exported questions are read."""

import pytest


@pytest.fixture
def clinic(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "in").mkdir()
    rows = [f"M{i},usual,North,{week},{12 if i == 3 and week else 5}" for i in range(8) for week in (0, 6)]
    (tmp_path / "in" / "export.csv").write_text("\n".join(["MRN,arm,clinic,week,pain", *rows]) + "\n")
    (tmp_path / "map.toml").write_text(
        '[patients]\npatient_id = "patient_id"\nprotocol = "arm"\nsite = "clinic"\n[week]\ncolumn = "week"\n'
        '[[values]]\nmeasure = "pain"\ncolumn = "pain"\n'
    )
    return tmp_path


def test_from_the_export_to_questions_with_own_numbers(kneecurve, clinic):
    words = (
        "deidentify",
        "in/export.csv",
        "--patient",
        "MRN",
        "--out",
        "clean",
        "--key",
        "keys/a.key",
        "--keep",
        "pain",
    )
    assert kneecurve(*words).code == 0
    table = (clinic / "clean" / "export.csv").read_text()
    (clinic / "clean" / "export.csv").write_text(table.replace(",12\n", ",9\n"))
    assert kneecurve("import", "clean/export.csv", "--map", "map.toml", "--out", "cohort").code == 0
    visits = clinic / "cohort" / "visits.csv"
    visits.write_text(visits.read_text().replace(",9\n", ",12\n"))
    assert kneecurve("check", "cohort", "--export", "questions").code == 1
    lacking = kneecurve("reidentify", "questions", "--key", "keys/a.key", "--out", "named.csv")
    assert lacking.code == 1
    assert "a key holds no patient" in lacking.err
    words = (
        "reidentify",
        "questions",
        "--key",
        "keys/a.key",
        "--source",
        "in/export.csv",
        "--patient",
        "MRN",
        "--out",
        "named.csv",
    )
    answer = kneecurve(*words)
    assert answer.code == 0, answer.err
    assert "This file identifies patients" in answer.out
    assert "must not go into a cohort folder, to the combining office" in " ".join(answer.out.split())
    assert any(",M3," in line and ",12," in line for line in (clinic / "named.csv").read_text().splitlines())
