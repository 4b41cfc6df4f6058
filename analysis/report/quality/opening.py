"""What stands at the top of a data-quality report: what was checked, and what it found, in plain language."""

from analysis.outcomes.patients.expected_visits import NO_SCHEDULE
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import INVENTED
from analysis.report.quality.study import QualityStudy

LIMITED = "Limited level: this report stays within the organisation that holds the data."


def subtitle(study: QualityStudy) -> Section:
    """Say what was checked."""
    n_values = int(study.cohort.visits["value"].notna().sum())
    lines = [f"{numbers.plural(len(study.cohort.patients), 'patient')}, {numbers.count(n_values)} measured values"]
    if study.cohort.level == "synthetic":
        lines.append(INVENTED)
    elif study.cohort.level == "limited":
        lines.append(LIMITED)
    return Section((Passage(tuple(lines), "subtitle"),))


def answer(study: QualityStudy) -> Section:
    """Say in short what was found."""
    said = [_errors(study)]
    if len(study.expected):
        seen, expected = int(study.expected["seen"].sum()), len(study.expected)
        worst = study.expected.groupby("week")["seen"].mean()
        place = int(worst.argmin())
        said.append(
            f"Of {numbers.count(expected)} expected values {numbers.count(seen)} are there ({numbers.share(seen / expected)}); "
            "fewest at week "
            f"{numbers.week(worst.index[place])}, {numbers.share(worst.iloc[place])}."
        )
    else:
        said.append(f"{NO_SCHEDULE}.")
    if len(study.patterns):
        lost = int(study.patterns["lost"].sum())
        back = int((study.patterns["pattern"] == "intermittent").sum())
        said.append(
            f"Of {numbers.plural(len(study.patterns), 'patient')} {lost or 'none'} {'is' if lost <= 1 else 'are'} lost before "
            f"the last scheduled week; {back or 'none'} missed a visit and came back."
        )
    impossible = int((study.questions["severity"] == "impossible").sum())
    unlikely = len(study.questions) - impossible
    looked_at = (
        f"{numbers.plural(study.values_judged, 'value')} and {numbers.plural(study.changes_judged, 'change')} judged"
    )
    asked = f"{impossible or 'none'} {'is' if impossible <= 1 else 'are'} impossible and {unlikely or 'none'} unlikely"
    questions = ": questions to the sites. An unlikely value may be true" if impossible + unlikely else ""
    said.append(f"Of {looked_at} {asked}{questions}.")
    return Section((Passage(tuple(said), "answer"),))


def _errors(study: QualityStudy) -> str:
    checked = study.checked
    errors, warnings = numbers.plural(checked.n_errors, "error"), numbers.plural(checked.n_warnings, "warning")
    if checked.n_errors:
        return f"The check found {errors} and {warnings}: the cohort is refused by the other reports until they are mended."
    lost = study.patterns.groupby(study.patterns["protocol"].astype("str"))["lost"].agg(["sum", "size"])
    shares = (lost["sum"] / lost["size"]).tolist()
    if len(lost) and too_many_lost(shares):
        counts = [f"{name} {numbers.fraction(row['sum'], row['size'])}" for name, row in lost.iterrows()]
        return (
            f"The check found no error and {warnings}. The cohort can be loaded, but too many were lost before the last "
            f"scheduled week to conclude anything about protocols there: {', '.join(counts)}."
        )
    return f"The check found no error and {warnings}: the cohort can be used."
