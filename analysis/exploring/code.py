"""The cell of a notebook that makes the picture of a view, by the functions that a user would call."""

from analysis.exploring.view import View


def code_of(view: View, folder: str) -> str:
    """Write the cell.

    Parameters
    ----------
    view : View
        As it was looked at.
    folder : str
        Cohort folder, seen from the notebook.

    Returns
    -------
    str
        Lines of Python; the last one is the figure. Of some protocols the colours are those that they have by themselves.

    Examples
    --------
    >>> print(code_of(View("pain", week=26.0), "cohort"))
    from analysis import fit_recovery, load_cohort
    from analysis.report import recovery_figure
    <BLANKLINE>
    cohort = load_cohort('cohort')
    curves = fit_recovery(cohort, 'pain', primary_week=26.0)
    recovery_figure(curves, panels=False)
    """
    kit, exploring, report, made = _made(view)
    lines = [f"cohort = load_cohort({folder!r})"]
    if view.protocols or view.by:
        exploring = sorted([*exploring, "patients_of"])
        lines.append(
            f"cohort = patients_of(cohort{_given(protocols=list(view.protocols) or None, by=view.by, group=view.group)})"
        )
    homes = (
        ("analysis", sorted([*kit, "load_cohort"])),
        ("analysis.exploring", exploring),
        ("analysis.report", report),
    )
    imports = [f"from {home} import {', '.join(names)}" for home, names in homes if names]
    return "\n".join([*imports, "", *lines, *made])


def _made(view: View) -> tuple[list[str], list[str], list[str], list[str]]:
    """Give what is taken from the kit, from this room and from the reports, and the lines that make the figure."""
    of = f"cohort, {view.measure!r}"
    if view.picture in ("curves", "differences"):
        fit = f"curves = fit_recovery({of}{_given(limb=view.limb, primary_week=view.week)})"
        if view.picture == "curves":
            return ["fit_recovery"], [], ["recovery_figure"], [fit, "recovery_figure(curves, panels=False)"]
        return ["fit_recovery"], [], ["difference_figure"], [fit, "difference_figure(curves)"]
    if view.picture == "responders":
        asked = _given(week=view.week, threshold=view.threshold, criterion=view.criterion, limb=view.limb)
        return ["responders"], [], ["responder_figure"], [f"found = responders({of}{asked})", "responder_figure(found)"]
    if view.picture == "last seen":
        return ["patient_flow"], ["last_seen_figure"], [], ["last_seen_figure(patient_flow(cohort))"]
    asked = _given(picture=view.picture, limb=view.limb, patient=view.patient)
    return [], ["View", "look"], [], [f"look(cohort, View({view.measure!r}{asked})).figure"]


def _given(**options: object) -> str:
    return "".join(f", {name}={value!r}" for name, value in options.items() if value is not None)
