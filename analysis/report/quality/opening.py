"""What stands at the top of a data-quality report: what was checked, and what it found, in plain language."""

from analysis.outcomes.patients.expected_visits import NO_SCHEDULE
from analysis.report.parts import numbers
from analysis.report.parts.losses import too_many_lost
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.wording import INVENTED
from analysis.report.quality.figures import all_there
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
        fewest = f"fewest at {numbers.moment(worst.index[place])}, {numbers.share(worst.iloc[place])}"
        said.append(
            f"Of {numbers.count(expected)} expected values {numbers.count(seen)} are there ({numbers.share(seen / expected)}); "
            f"{fewest}."
            if seen < expected
            else f"{all_there(expected)}."
        )
    else:
        said.append(f"{NO_SCHEDULE}.")
    if len(study.patterns):
        said.append(_lost(study))
    said.append(_judged(study))
    return Section((Passage(tuple(said), "answer"),))


def _lost(study: QualityStudy) -> str:
    """Say how many are lost and how many came back, where anybody was to come after the start."""
    if not (study.expected["week"] > 0).any():
        return "No visit after the start is scheduled, so nobody can be lost."
    lost = int(study.patterns["lost"].sum())
    back, again = (int((study.patterns["pattern"] == one).sum()) for one in ("intermittent", "intermittent, then lost"))
    later = f", {again} of these before being lost" if again else ""
    return (
        f"Of {numbers.plural(len(study.patterns), 'patient')} {lost or 'none'} {'is' if lost <= 1 else 'are'} lost before the "
        f"last scheduled week; {back + again or 'none'} missed a visit and came back{later}."
    )


def _judged(study: QualityStudy) -> str:
    """Say how many values and changes are questions to the sites, of those judged."""
    impossible = int((study.questions["severity"] == "impossible").sum())
    unlikely = len(study.questions) - impossible
    values, changes = numbers.plural(study.values_judged, "value"), numbers.plural(study.changes_judged, "change")
    questions = ": questions to the sites. An unlikely value may be true" if impossible + unlikely else ""
    if not study.values_judged:
        none = "No rule for impossible values is about what was measured"
        if not study.changes_judged:
            return f"{none}, and no change could be judged."
        few = f"{unlikely or 'none'} {'is' if unlikely <= 1 else 'are'} unlikely"
        return f"Of {changes} judged {few}{questions}. {none}, so none was judged by one."
    looked_at = f"{values} and {changes} judged" if study.changes_judged else f"{values} judged, and no change,"
    asked = f"{impossible or 'none'} {'is' if impossible <= 1 else 'are'} impossible and {unlikely or 'none'} unlikely"
    return f"Of {looked_at} {asked}{questions}."


def _errors(study: QualityStudy) -> str:
    checked = study.checked
    errors = numbers.plural(checked.n_errors, "error")
    warnings = numbers.plural(checked.n_warnings, "warning") if checked.n_warnings else "no warning"
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
