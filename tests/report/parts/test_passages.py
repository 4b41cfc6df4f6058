"""Passages are text, and numbers stay with their units and on their side."""

from analysis.report.parts.passages import Passage, absent
from analysis.report.parts.typesetting import typeset


def test_passages_are_text():
    assert Passage(("<b>",), "items").to_html() == '<ul class="items"><li>&lt;b&gt;</li></ul>'
    assert absent("home sessions.").to_html() == '<div class="absent"><p>Not in the data: home sessions.</p></div>'


def test_numbers_stay_with_their_units():
    assert typeset("5 % of 0.15 N·m/kg") == "5\u00a0% of 0.15\u00a0N·m/kg"


def test_a_number_after_a_name_written_from_right_to_left_keeps_its_side():
    name = "פרוטוקול תנועה"
    assert typeset(f"with {name} 23 % and {name}, x") == f"with {name}\u200e 23\u00a0% and {name}\u200e, x"
    assert typeset("with Größe 23 %") == "with Größe 23\u00a0%"
