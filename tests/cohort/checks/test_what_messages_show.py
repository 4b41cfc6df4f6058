"""Messages of import, check and a suggested map show no identifier of a person: a surname with a number is one."""

from typer.testing import CliRunner

from analysis.__main__ import app
from analysis.cohort.findings import FindingList

ROWS = """\
pid,arm,sex,side,week,koos_pain,site,note
P1,usual,f,left,0,50,North,x
P2,Miller 12,m,left (Miller 12),0,Miller 12,Miller 12,Miller 12
P3,usual,Miller 12,right,Miller 12,60,South,7654321
Miller 12,usual,f,Miller 12,6,70,South,y
P5,usual,7654321,right,6,700,South,Miller 12
"""
MAP = """\
layout = "long"
reference = "usual"
[patients]
patient_id = "pid"
protocol = "arm"
sex = "sex"
involved_side = "side"
site = "site"
[week]
column = "week"
[[values]]
measure = "koos_pain"
column = "koos_pain"
"""


def test_import_and_suggested_maps_show_no_surname_with_a_number(tmp_path):
    (tmp_path / "scores.csv").write_text(ROWS, encoding="utf-8")
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    imported = CliRunner().invoke(
        app,
        ["import", str(tmp_path / "scores.csv"), "--map", str(tmp_path / "map.toml"), "--out", str(tmp_path / "out")],
    )
    assert imported.exit_code == 1
    assert "Aaaaaa 99" in imported.output
    new = tmp_path / "new.toml"
    suggested = CliRunner().invoke(app, ["import", str(tmp_path / "scores.csv"), "--suggest-map", "--map", str(new)])
    assert suggested.exit_code == 0
    shown = imported.output + suggested.output + new.read_text(encoding="utf-8")
    assert "Miller" not in shown
    assert "7654321" not in shown


def test_findings_mask_identifiers_that_could_be_names_and_long_numbers_of_labels():
    findings = FindingList()
    findings.add(
        "error", "patients", "wrong", "Mend it.", column="site", rows=[0, 1, 2], patients=["P001", "Miller 12", "Ann3"],
        values=["123456", "12", "Miller 12"],
    )  # fmt: skip
    shown = findings.report().findings
    assert shown["patient_id"].tolist() == ["P001", "Aaaaaa 99", "Aaa9"]
    assert shown["value"].tolist() == ["999999", "12", "Aaaaaa 99"]
