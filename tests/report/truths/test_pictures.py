"""What a picture of a planted truth must not do: cut a mark, write over a curve, leave a line or a gap without its words."""

import re
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_rgb

from analysis.report import Figure, Table, comparison, quarter
from analysis.report.parts.look import INK, PAPER

from .others import test_quarter_truths as of_quarter
from .planted import plant
from .test_what_is_said import TRUTHS


def study_of(study_in_memory, name):
    cohort, options, *_ = TRUTHS[name]
    return study_in_memory(plant(**cohort), **{"imputations": 2, "design": "randomised", **options})


def parts(section, kind):
    return {one.name: one for one in section if isinstance(one, kind)}


@pytest.fixture(scope="module")
def responders_of(study_in_memory):
    """Give the figures of responders of a truth; each truth is prepared once."""
    made = {}

    def give(name):
        if name not in made:
            made[name] = parts(comparison.responder_analysis(study_of(study_in_memory, name)), Figure)
        return made[name]

    return give


@pytest.mark.parametrize(("name", "share_of"), [("everybody improves", 100.0), ("at the best value", 0.0)])
def test_the_mark_of_all_or_of_nobody_is_drawn_whole(responders_of, name, share_of):
    axes = responders_of(name)["responders"].drawing().axes[0]
    dots = [line for line in axes.lines if line.get_marker() not in ("None", "", None)]
    assert [line.get_xdata()[0] for line in dots] == [share_of, share_of]
    assert not any(line.get_clip_on() for line in dots)


@pytest.mark.parametrize("width", ["wide", "narrow"])
@pytest.mark.parametrize("name", ["everybody improves", "pain", "at the best value"])
def test_names_of_thresholds_stand_above_the_curves_and_beside_each_other(responders_of, name, width):
    drawing = responders_of(name)["change"].drawing(width)
    drawing.canvas.draw()
    (axes,) = drawing.axes
    boxes = [text.get_window_extent() for text in axes.texts]
    top = axes.transData.transform((0, 100))[1]
    assert len(boxes) == 3
    assert all(box.y0 > top for box in boxes)
    assert all(box.y1 < axes.bbox.y1 + 1 and box.x1 < drawing.bbox.x1 for box in boxes)
    assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])


@pytest.mark.parametrize(
    ("name", "said"),
    [
        (
            "pain",
            ("The dark dashed line is the threshold used (2 points, minimal important change); pale: 1.16 points, minimal "
             "important change; 2.8 points, minimal detectable change."),
        ),
        ("complete", "The dashed line is the threshold used (0.37 N·m/kg, minimal detectable change)."),
    ],
)  # fmt: skip
def test_the_caption_says_what_each_dashed_line_is(responders_of, name, said):
    assert said in responders_of(name)["change"].caption


def test_who_was_not_judged_has_no_line_in_the_legend_and_is_named(responders_of, drawn):
    figures = responders_of("nobody of one protocol")
    assert [name for name, _ in drawn.legend(figures["change"].drawing())] == ["usual"]
    assert "Not drawn, as nobody was judged: early." in figures["change"].caption
    assert [text.get_text() for text in figures["responders"].drawing().axes[0].texts][1] == "nobody judged"


def test_dashes_in_tables_of_differences_are_explained(study_in_memory):
    study = study_of(study_in_memory, "nobody of one protocol")
    section = comparison.differences(study)
    assert "Not compared, as there is no estimate: early." in parts(section, Table)["primary"].notes
    assert "A week without a point has no estimate." in parts(section, Figure)["differences"].caption
    table = parts(comparison.responder_analysis(study), Table)["responder-differences"]
    assert "Not compared, as nobody was judged: early." in table.notes


def test_a_curve_that_ends_early_has_its_name_and_nobody_seen_is_a_nought(study_in_memory):
    (figure,) = comparison.recovery(study_of(study_in_memory, "nobody of one protocol"))
    for drawing in (figure.drawing(), figure.draw_for_slide()):
        said = [text.get_text() for text in drawing.axes[0].texts]
        assert any("early" in one for one in said)
        assert said.count("0") == 3  # weeks 12, 26 and 52
    table = figure.data
    assert table.loc[(table["protocol"] == "early") & (table["week"] > 6), "n"].tolist() == [0, 0, 0]


def test_the_caption_of_the_curves_says_what_is_dotted_and_what_lies_beyond_the_axis(study_in_memory):
    """Of ordinary values the axis leaves out none; of two that would press the rest flat it says how many."""
    cohort = plant()
    far = cohort.visits.index[cohort.visits["week"] == 12][:2]
    pressed = replace(
        cohort, visits=cohort.visits.assign(value=cohort.visits["value"].where(~cohort.visits.index.isin(far), 9.0))
    )
    for made, least in ((cohort, 0), (pressed, 2)):
        study = study_in_memory(made, imputations=2, design="randomised")
        (figure,) = comparison.recovery(study)
        low, high = figure.drawing().axes[-1].get_ylim()
        values = study.visits["value"]
        beyond = int(((values < low) | (values > high)).sum())
        assert (beyond == 0) if least == 0 else (least <= beyond <= 0.01 * len(values))
        assert (f"Beyond the axis lie {beyond} of {len(values)} single values." in figure.caption) is (beyond > 0)
        assert ("Beyond the axis" in figure.caption) is (beyond > 0)
    assert "with 95 % intervals (bars)" in figure.caption
    assert "Dotted: the means of the other protocol." in figure.caption
    alone = study_in_memory(plant(patients=12, protocols=("usual",)), imputations=2)
    assert "Dotted" not in next(iter(comparison.recovery(alone))).caption


def test_every_number_of_missing_values_stands_out_from_its_shade(study_in_memory):
    def light(colour):
        parts = np.asarray(to_rgb(colour) if isinstance(colour, str) else colour[:3])
        return np.where(parts <= 0.03928, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4) @ [0.2126, 0.7152, 0.0722]

    def contrast(one, other):
        low, high = sorted([light(one), light(other)])
        return (high + 0.05) / (low + 0.05)

    lost = {week: k / 10 for k, week in enumerate((0, 6, 12, 26, 52))}
    cohort = plant(lose=lambda name, week, value, rng: rng.random() < lost[week] + (0.5 if name == "early" else 0.2))
    figure = parts(comparison.missing(study_in_memory(cohort, imputations=2)), Figure)["missing"]
    axes = figure.drawing().axes[0]
    (image,) = axes.images
    seen = 0
    for text in axes.texts:
        column, row = text.get_position()
        shade = image.cmap(image.norm(image.get_array()[int(row), int(column)]))
        chosen, other = text.get_color(), INK if text.get_color() == PAPER else PAPER
        assert contrast(chosen, shade) > 0.95 * contrast(other, shade)
        seen += contrast(other, shade) > 3
    assert seen > 1  # some shades are near the middle, where either would nearly do


@pytest.mark.parametrize("width", ["wide", "narrow"])
def test_names_of_lines_that_lie_together_stand_one_below_another(drawn, tmp_path, width):
    """Everybody improves: centre line and limits of a chart, and the whole and limits of a funnel, are one line."""
    cohort, options, *_ = of_quarter.TRUTHS["everybody improves"]
    study = of_quarter.prepared(of_quarter.plant(**cohort), tmp_path, **options)
    shown = [one for part in (quarter.outcomes(study), quarter.sites(study)) for one in part if isinstance(one, Figure)]
    chart, *_, funnel = shown
    assert (chart.name, funnel.name) == ("chart-improved", "funnel")
    for figure, names in (
        (chart, {"centre line", "upper limit", "lower limit"}),
        (funnel, {"whole", "95 % limit", "99.8 % limit"}),
    ):
        drawing = figure.drawing(width)
        drawing.canvas.draw()
        axes = drawing.axes[0]
        said = [text for text in axes.texts if names & set(text.get_text().split("\n"))]
        assert [set(text.get_text().split("\n")) for text in said] == [names]
        assert all(text.get_window_extent().x1 <= drawing.bbox.x1 for text in said)


def test_a_small_p_value_does_not_stand_beside_no_over_dispersion_found(tmp_path):
    """One site of ten is bad, the others alike: what is estimated without the ends is tested without them."""
    cohort, options, *_ = of_quarter.TRUTHS["one site bad and seen"]
    (funnel,) = quarter.sites(of_quarter.prepared(of_quarter.plant(**cohort), tmp_path, **options))
    said = re.search(
        r"No over-dispersion found \(dispersion [\d.]+ where chance alone makes 1 on average, p = ([\d.]+)\)",
        funnel.caption,
    )
    assert float(said[1]) > 0.05
    assert "more than chance" not in funnel.caption
