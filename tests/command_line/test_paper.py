"""From the demo cohort to the draft of a paper by the commands of the README, as they stand there; and the demo on paper."""

import re
import shlex
import shutil
import subprocess
import zipfile
from pathlib import Path

import pytest
from pypdf import PdfReader

README = Path(__file__).parents[2] / "README.md"
#: What the paper needs, by the names of its files.
FILES = {
    "figure_01_recovery", "figure_03_responders", "figure_09_flow", "table_01_primary", "table_02_responder-differences",
    "table_06_outcomes", "table_08_baseline",
}  # fmt: skip


@pytest.mark.slow
def test_the_commands_of_the_readme_give_a_paper(kneecurve, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (block,) = re.findall(r"<!-- paper -->\n```sh\n(.*?)```", README.read_text(encoding="utf-8"), flags=re.DOTALL)
    commands = [shlex.split(line)[1:] for line in block.strip().splitlines()]
    assert [one[0] for one in commands] == ["demo", "plan-analysis", "report", "export"]
    for one in commands:
        answer = kneecurve(*one)
        assert answer.code == 0, answer.err
    forms = kneecurve("report", "protocol_comparison", "kneecurve_demo/cohort", "--out", "forms", "--format", "pdf")
    assert forms.code == 0, forms.err
    assert len(PdfReader("forms/protocol_comparison.pdf").pages) <= 16  # what a reader of the demo has to turn
    written = {path.name for path in Path("paper").iterdir()}
    assert {name.rpartition(".")[0] for name in written if name.startswith(("figure", "table_"))} == FILES
    assert {f"{name}.{form}" for name in FILES if name.startswith("figure") for form in ("pdf", "tiff")} <= written
    with zipfile.ZipFile("paper/paper.docx") as word:
        text = " ".join(re.sub(r"<[^>]+>", " ", word.read("word/document.xml").decode()).split())
        assert sum(name.startswith("word/media/") for name in word.namelist()) == 3
    order = [
        "What was found",
        "Table 8.",
        "Figure 1.",
        "Table 1.",
        "Figure 9.",
        "Table 6.",
        "Table 2.",
        "Figure 3.",
        "Cautions",
    ]
    assert [text.index(one) for one in order] == sorted(text.index(one) for one in order)
    assert "no deviation was found among the" in text
    assert "no number in this report is a finding about any treatment" in text
    assert "A difference between the means of groups does not tell how one patient would fare." in text
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if office is None:
        pytest.skip("no LibreOffice on this machine: the pages of the paper were not counted")
    profile = f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}"
    command = [office, profile, "--headless", "--convert-to", "pdf", "--outdir", "pages", "paper/paper.docx"]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    pages = [page.extract_text() for page in PdfReader("pages/paper.pdf").pages]
    assert len(pages) <= 2  # pages, with all that is above
    assert "values by Holm" in pages[0]  # the notes of the primary result stand with it
