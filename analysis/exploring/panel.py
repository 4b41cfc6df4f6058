"""Widgets over a cohort folder: each change of one gives the next picture, its words and the code that makes it."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any, get_args

from analysis.cohort import Cohort, load_cohort
from analysis.cohort.follow_up.as_of import DUE_WEEK
from analysis.counted import form
from analysis.curves.recovery import RecoveryCurves
from analysis.errors import KneecurveError, ReportError
from analysis.exploring.code import code_of
from analysis.exploring.looking import Looked, look
from analysis.exploring.view import Picture, View
from analysis.foreign_text import visible
from analysis.outcomes.comparisons.subgroups import groups_of_patients
from analysis.outcomes.thresholds.chosen_threshold import Criterion
from analysis.report.parts import numbers
from analysis.report.widget_keys import KEYS_ARE_OURS

#: What is chosen where nothing is: what a report takes, all patients, nobody. A list whose value is None would show nothing.
_AS_IN_A_REPORT, _ALL, _NOBODY = ("as in a report", ""), ("all", ""), ("nobody", "")
#: A characteristic with more groups than this is not offered: one of them would be hardly anybody (design choice).
_MOST_GROUPS = 8


class Explorer:
    """Widgets that show a cohort.

    Parameters
    ----------
    folder : Path or str
        Cohort folder.

    Attributes
    ----------
    cohort : Cohort
        What is looked at.
    looked : Looked or None
        What is shown; None where the cohort cannot show what was chosen.
    code : str
        The cell that makes it.
    looks : int
        How many pictures have been made.
    box : ipywidgets.VBox
        The widgets.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analysis.cohort import write_cohort
    >>> from synthetic_cohort import generate_cohort
    >>> with TemporaryDirectory() as name:
    ...     explorer = Explorer(write_cohort(generate_cohort(patients=48, seed=3).observed, name + "/cohort"))
    >>> explorer.choose(picture="last seen")
    >>> explorer.looked.figure.name, explorer.looks
    ('last-seen', 2)
    """

    def __init__(self, folder: Path | str) -> None:
        import ipywidgets
        import statsmodels.stats.proportion  # noqa: F401 - taken a second now, not at the first count

        self.folder = Path(folder)
        self.cohort = load_cohort(folder)
        self.looked: Looked | None = None
        self.code, self.looks = "", 0
        self._kept: dict[View, Looked] = {}
        self._fits: dict[View, RecoveryCurves] = {}
        self._quiet = False
        self._widgets = _choices(self.cohort, ipywidgets)
        self._shown = ipywidgets.HTML()
        self._said = ipywidgets.HTML()
        self._cell = ipywidgets.Textarea(
            description="Cell", layout={"width": "calc(100% - 1em)", "height": "10em", "display": "none"}
        )
        write = ipywidgets.Button(description="Write the code for this view", layout={"width": "auto"})
        save = ipywidgets.Button(description="Save the picture (SVG)", layout={"width": "auto"})
        self._saved = ipywidgets.HTML()
        write.on_click(lambda _: self._show_code())
        save.on_click(lambda _: self._save_and_say())
        for name, widget in self._widgets.items():
            widget.observe(self._by_or_group if name == "by" else self._redraw, names="value")
        beside = ipywidgets.VBox([self._shown, self._said, ipywidgets.HBox([write, save]), self._saved, self._cell])
        chosen = ipywidgets.VBox(list(self._widgets.values()), layout={"min_width": "23em"})
        self.box = ipywidgets.HBox([chosen, beside], layout={"flex_flow": "row wrap"})
        self._redraw()

    @property
    def view(self) -> View:
        """What the widgets ask for."""
        chosen = {name: widget.value for name, widget in self._widgets.items()}
        if len(chosen["protocols"]) == len(self._widgets["protocols"].options):
            chosen["protocols"] = ()
        chosen = {name: None if value == "" else value for name, value in chosen.items()}
        return View(**{**chosen, "threshold": _number(chosen["threshold"])})

    def choose(self, **chosen: Any) -> None:
        """Set widgets by the names of a :class:`View`, all before the next picture is made.

        Raises
        ------
        ReportError
            There is no such choice.
        """
        from traitlets import TraitError

        self._quiet = True
        try:
            for name, value in chosen.items():
                if name not in self._widgets:
                    raise ReportError(
                        f"There is no choice {name!r}.",
                        where="explorer",
                        what_to_do=f"Set one of: {', '.join(self._widgets)}.",
                    )
                try:
                    self._widgets[name].value = "" if value is None else value
                except TraitError as error:
                    raise ReportError(
                        f"{value!r} cannot be chosen.",
                        where=f"explorer, {name}",
                        what_to_do="Choose one that is offered.",
                    ) from error
        finally:
            self._quiet = False
        self._redraw()

    def save(self) -> Path:
        """Write the picture that is shown as an SVG beside the cohort folder, under a name that no file has.

        Returns
        -------
        Path
            The file.

        Raises
        ------
        ReportError
            No picture is shown, or the file cannot be written.
        """
        if self.looked is None:
            raise ReportError("There is no picture to save.", where="explorer", what_to_do="Choose what can be shown.")
        name = re.sub(r"\W+", "-", f"{self.looked.view.picture}-{self.looked.view.measure}")
        taken = [self.folder.parent / f"{name}{number}.svg" for number in ("", *(f"-{n}" for n in range(2, 1000)))]
        path = next(one for one in taken if not one.exists())
        part = path.with_name(f".{path.name}.part")
        try:
            part.write_bytes(self.looked.svg())
            part.replace(path)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise ReportError(
                f"The picture cannot be written: {error.strerror}.",
                where=str(path.parent),
                what_to_do="Make the folder writable, or copy the picture from the page.",
            ) from error
        return path

    def _ipython_display_(self) -> None:
        from IPython.display import Javascript, display

        display(self.box)  # type: ignore[no-untyped-call]
        display(Javascript(KEYS_ARE_OURS))  # type: ignore[no-untyped-call]

    def _by_or_group(self, change: dict[str, Any]) -> None:
        """Offer the groups of the characteristic that was chosen."""
        before, self._quiet = self._quiet, True
        options = _groups(self.cohort, change["new"]) if change["new"] else []
        self._widgets["group"].options = options
        self._widgets["group"].value = options[0] if options else None
        self._widgets["group"].disabled = not options
        self._quiet = before
        self._redraw()

    def _redraw(self, _: object = None) -> None:
        if self._quiet:
            return
        try:
            view = self.view
            if view not in self._kept:
                self._kept[view] = look(self.cohort, view, fits=self._fits)
        except KneecurveError as error:
            self.looked, self.code = None, ""
            self._shown.value = ""
            self._say([error.what, error.what_to_do])
        else:
            self.looks = len(self._kept)
            self.looked = self._kept[view]
            self.code = code_of(self.looked.view, self.folder.as_posix())
            self._shown.value = _picture(self.looked)
            looks = f"{numbers.plural(self.looks, 'picture')} {form(self.looks, 'was', 'were')} looked at so far."
            self._say([*self.looked.words, f"{self.looked.caution} {looks}"])
        self._cell.value, self._saved.value = self.code, ""

    def _say(self, words: list[str]) -> None:
        said = "".join(f"<p>{_safe(text)}</p>" for text in words if text)
        self._said.value = f'<div role="status" style="max-width: 46em; line-height: 1.4">{said}</div>'

    def _show_code(self) -> None:
        self._cell.layout.display = "flex"

    def _save_and_say(self) -> None:
        try:
            said = f"Saved: {self.save().name}, beside the cohort folder."
        except ReportError as error:
            said = f"{error.what} {error.what_to_do}"
        self._saved.value = f'<p role="status">{_safe(said)}</p>'


def explore(folder: Path | str) -> Explorer:
    """Look at a cohort folder by widgets; show the result as the last line of a cell.

    Parameters
    ----------
    folder : Path or str
        Cohort folder.

    Returns
    -------
    Explorer
        Widgets for the picture, measure, limb, week, protocols, group of patients, criterion, threshold and patient.

    Raises
    ------
    CohortError
        The folder holds no cohort.

    Examples
    --------
    >>> explore("no such folder")
    Traceback (most recent call last):
    analysis.errors.CohortError: There is no such folder.
      where: no such folder
      what to do: Make a cohort folder of a file with: kneecurve import FILE --map MAP.toml --out FOLDER
    """
    return Explorer(folder)


def _picture(looked: Looked) -> str:
    import base64

    address = base64.b64encode(looked.png()).decode("ascii")
    alt = _safe(looked.figure.alt)
    return (
        f'<figure style="margin: 0"><img style="width: 46em; max-width: 100%" alt="{alt}" src="data:image/png;base64,{address}">'
        f'<figcaption style="max-width: 46em; line-height: 1.4"><strong>{_safe(looked.figure.title)}.</strong> '
        f"{_safe(looked.figure.caption)}</figcaption></figure>"
    )


def _safe(text: str) -> str:
    """Give a text as a page may have it: no markup, and nothing that hides letters or turns their direction."""
    return html.escape(visible(text))


def _number(text: str | None) -> float | None:
    """Read what there is to reach; nothing typed is none."""
    if text is None or not text.strip():
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise ReportError(
            f"{text!r} is no number.",
            where="threshold",
            what_to_do="Type a number, or nothing for that of the catalogue.",
        ) from None


def _choices(cohort: Cohort, kit: Any) -> dict[str, Any]:
    """Make the widgets, by the names of a view."""
    style = {"style": {"description_width": "7em"}}

    def dropdown(options: list[Any], label: str, **more: Any) -> Any:
        return kit.Dropdown(options=options, description=label, **style, **more)

    measures = [(cohort.measures[name].label, name) for name in offered_measures(cohort)]
    weeks = sorted({float(week) for week in cohort.visits["week"].unique() if week > 0})
    protocols = [
        str(one) for one in cohort.patients["protocol"].cat.categories if (cohort.patients["protocol"] == one).any()
    ]
    people = [] if cohort.level == "safe-harbor" else [str(one) for one in cohort.patients["patient_id"]]
    return {
        "picture": dropdown(list(get_args(Picture)), "Picture"),
        "measure": dropdown(measures, "Measure"),
        "limb": dropdown([_AS_IN_A_REPORT, *((one, one) for one in ("involved", "uninvolved"))], "Limb"),
        "week": dropdown([_AS_IN_A_REPORT, *((f"{week:g}", week) for week in weeks)], "Week"),
        "protocols": kit.SelectMultiple(
            options=protocols, value=protocols, description="Protocols", rows=min(len(protocols) + 1, 7), **style
        ),
        "by": dropdown([_ALL, *((one, one) for one in offered_characteristics(cohort))], "Patients by"),
        "group": dropdown([], "Group", disabled=True),
        "criterion": dropdown(list(get_args(Criterion)), "Criterion"),
        "threshold": kit.Text(
            description="Threshold", placeholder="of the catalogue", continuous_update=False, **style
        ),
        "patient": dropdown([_NOBODY, *((one, one) for one in people)], "Patient"),
    }


def offered_measures(cohort: Cohort) -> list[str]:
    """Give the measures that are stored and those made from them, in the order of the catalogue.

    Examples
    --------
    >>> from synthetic_cohort import generate_cohort
    >>> "limb_symmetry_index" in offered_measures(generate_cohort(patients=30, seed=1).observed)
    True
    """
    stored = set(cohort.visits["measure"].astype("str").unique())
    return [
        name
        for name in cohort.measures
        if name in stored or (cohort.measures[name].derived_from and set(cohort.measures[name].derived_from) <= stored)
    ]


def offered_characteristics(cohort: Cohort) -> list[str]:
    """Give the columns of the patients that make a few groups; numbers have no cut of their own and are not offered."""
    offered = []
    for name in cohort.patients.columns:
        if name in ("patient_id", "protocol", DUE_WEEK):
            continue
        try:
            groups = _groups(cohort, str(name))
        except KneecurveError:
            continue
        if 1 < len(groups) <= _MOST_GROUPS:
            offered.append(str(name))
    return offered


def _groups(cohort: Cohort, by: str) -> list[str]:
    return [str(name) for name in groups_of_patients(cohort, by)[1].cat.categories]
