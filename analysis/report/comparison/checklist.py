"""Which items that journals ask for stand in a protocol comparison, where, and which are not known from the data."""

import pandas as pd

from analysis.counted import form
from analysis.outcomes import PatientFlow
from analysis.outcomes.patients.patient_flow import NO_REASON, counted_at
from analysis.report.comparison.outcomes import is_judged
from analysis.report.comparison.patients import baseline
from analysis.report.comparison.results import Lacking
from analysis.report.comparison.study import Study
from analysis.report.figures.flow_figure import MOST_COLUMNS
from analysis.report.parts import numbers
from analysis.report.parts.passages import Passage, Section
from analysis.report.parts.tables import Column, Table

#: Number, subject in our own words, and where it is: keys of :func:`_places`, or words.
#: Numbers as in the CONSORT 2025 statement, PLoS Med 2025;22:e1004587.
CONSORT = (
    ("1a", "Named as a randomised trial in the title", "title"),
    ("1b", "Structured summary", "summary"),
    ("2", "Registration", "nothing"),
    ("3", "Trial protocol and analysis plan: where they are", "plan"),
    ("4", "Sharing of data and code", "sharing"),
    ("5a", "Funding", "nothing"),
    ("5b", "Conflicts of interest", "nothing"),
    ("6", "Background and reasons", "nothing"),
    ("7", "Objectives", "objectives"),
    ("8", "Involvement of patients and the public", "nothing"),
    ("9", "Design", "design"),
    ("10", "Changes after the start", "changes"),
    ("11", "Setting", "setting"),
    ("12a", "Who could take part", "nothing"),
    ("12b", "Which sites and therapists could take part", "nothing"),
    ("13", "Protocols, described so that they can be repeated", "protocols"),
    ("14", "Outcomes", "outcomes"),
    ("15", "Harms: how defined and asked for", "harm methods"),
    ("16a", "Size: how it was chosen", "nothing"),
    ("16b", "Interim looks and stopping rules", "nothing"),
    ("17a", "Random sequence: who and how", "nothing"),
    ("17b", "Kind of randomisation and its restrictions", "nothing"),
    ("18", "Concealment of the allocation", "nothing"),
    ("19", "Who enrolled and who assigned", "nothing"),
    ("20a", "Blinding: who", "nothing"),
    ("20b", "Blinding: how", "nothing"),
    ("21a", "Statistical methods", "methods"),
    ("21b", "Who is in which analysis", "population"),
    ("21c", "Missing data: how handled", "missing"),
    ("21d", "Further analyses: methods", "appendix"),
    ("22a", "Flow: allocated, treated, analysed", "flow"),
    ("22b", "Losses with reasons", "losses"),
    ("23a", "Dates of recruitment and follow-up", "dates"),
    ("23b", "Why it ended", "nothing"),
    ("24a", "Protocols as they were given", "doses"),
    ("24b", "Other care at the same time", "nothing"),
    ("25", "Baseline table", "baseline"),
    ("26", "Results of each outcome with precision", "results"),
    ("27", "Harms by group", "harms"),
    ("28", "Further analyses: results", "appendix"),
    ("29", "Interpretation", "interpretation"),
    ("30", "Limitations", "limitations"),
)
#: Numbers as in the STROBE statement, cohort studies: BMJ 2007;335:806.
STROBE = (
    ("1a", "Design named in title or summary", "title"),
    ("1b", "Summary of what was done and found", "summary"),
    ("2", "Background and reasons", "nothing"),
    ("3", "Objectives", "objectives"),
    ("4", "Design", "design"),
    ("5", "Setting, places and dates", "setting"),
    ("6a", "Who could take part, and follow-up", "nothing"),
    ("6b", "Matching", "nothing"),
    ("7", "Outcomes, exposures, confounders", "outcomes"),
    ("8", "Sources of data and how they were measured", "sources"),
    ("9", "Bias", "bias"),
    ("10", "Size: how it came about", "nothing"),
    ("11", "Quantities: how they were handled", "methods"),
    ("12a", "Statistical methods, confounding", "methods"),
    ("12b", "Subgroups and interactions: methods", "subgroups"),
    ("12c", "Missing data: how handled", "missing"),
    ("12d", "Loss to follow-up: how handled", "missing"),
    ("12e", "Sensitivity analyses: methods", "appendix"),
    ("13a", "Numbers at each stage", "flow"),
    ("13b", "Reasons for leaving", "losses"),
    ("13c", "Flow diagram", "diagram"),
    ("14a", "Patients at the start", "baseline"),
    ("14b", "Missing values of each variable", "baseline"),
    ("14c", "Length of follow-up", "follow-up"),
    ("15", "Outcomes over time", "measurements"),
    ("16a", "Results as they are and adjusted, with precision", "results"),
    ("16b", "Limits of categories", "thresholds"),
    ("16c", "Absolute beside relative risk", "absolute"),
    ("17", "Other analyses", "appendix"),
    ("18", "Key results", "summary"),
    ("19", "Limitations", "limitations"),
    ("20", "Interpretation", "interpretation"),
    ("21", "To whom it applies", "nothing"),
    ("22", "Funding", "nothing"),
)
_SOURCES = {
    "randomised": "Items of CONSORT 2025 (PLoS Med 2025;22:e1004587)",
    "observational": "Items of STROBE for cohort studies (BMJ 2007;335:806)",
}
#: The section of a comparison where nobody drew lots.
ALIKE = "Among patients made alike"
#: The section of secondary outcomes and of groups of patients.
OTHERS = "Other outcomes and groups of patients"
_MET, _PART, _ABSENT, _NOT_APPLICABLE = "yes", "in part", "no", "does not apply"
NOT_KNOWN = "Not known from the data"


def checklist(study: Study) -> Section:
    """List the reporting items of the design with where each is met, or that it is not known from the data."""
    places = _places(study)
    items = CONSORT if study.allocation == "randomised" else STROBE
    rows = [(f"{number}  {subject}", *places[key]) for number, subject, key in items]
    table = pd.DataFrame(rows, columns=["item", "met", "where"])
    counts = table["met"].value_counts()
    without = counts.get(_NOT_APPLICABLE, 0)
    said = (
        f"Of {len(table)} items, {counts.get(_MET, 0)} are met, {counts.get(_PART, 0)} in part, and "
        f"{counts.get(_ABSENT, 0)} are not known from the data: the authors have to add them."
        + (f" To a report of one protocol {without} {form(without, 'does')} not apply." if without else "")
    )
    return Section(
        (
            Passage((said,)),
            Table(
                table,
                f"{_SOURCES[study.allocation]}, each with the section that meets it.",
                (Column("item", "Item"), Column("met", "Met"), Column("where", "Section, or what is missing")),
                ("Numbers are those of the statement; subjects are in our own words.",),
                name="checklist",
            ),
        )
    )


def _places(study: Study) -> dict[str, tuple[str, str]]:
    """Say for each key whether it is met, and where."""
    several = len(study.protocols) > 1
    absent = (_ABSENT, f"{NOT_KNOWN}.")
    modelled, start = study.curves is not None, any(isinstance(one, Table) for one in baseline(study))
    scheduled = bool(study.flow.weeks)
    flow = scheduled or len(study.flow.allocated) <= MOST_COLUMNS
    at_home, due = not isinstance(study.at_home, Lacking), not study.missing.table.empty
    judged = any(is_judged(found) for found in study.responders)
    reached = "Patients who reached the threshold"
    further = _where(modelled, "Appendix", "enough values for a model")
    alone = (_NOT_APPLICABLE, "Nothing is compared.")
    results = "; ".join(
        [
            "Recovery curves",
            *([ALIKE] if study.found.balanced else []),
            *(["Differences by week"] if several else []),
            *([reached] if judged else []),
            *([OTHERS] if study.parameters["secondary"] else []),
        ]
    )
    return {
        "nothing": absent,
        "title": (_PART, "The design is said in What is estimated, not in the title."),
        "summary": (_PART, "In short: who was seen, what differs, who improved, what to doubt, harms."),
        "plan": (
            (_PART, "The analysis is in Methods in words; where a plan lies is not known from the data.")
            if study.plan is None
            else (
                _PART,
                "The analysis plan, its hash and every deviation are in Methods in words; the trial protocol is not known from the data.",
            )
        ),
        "changes": (
            absent
            if study.plan is None
            else (
                _PART,
                "Deviations from the analysis plan are in Methods in words; other changes are not known from the data.",
            )
        ),
        "sharing": (
            _PART,
            "Code, versions and hashes are in Provenance; who can have the data is not known from the data.",
        ),
        "objectives": (
            _PART,
            "The comparison is in What is estimated; benefits and harms looked for are not known from the data.",
        ),
        "design": (
            _PART,
            "Allocation is said in What is estimated; its ratio "
            + ("can be read off Patients, Flow." if flow else "is not known from the data."),
        ),
        "setting": _sites(study) if start else absent,
        "protocols": (
            (_PART, "Names, and sessions prescribed in Home programme; the rest is not known from the data.")
            if at_home
            else (_PART, "Names only; what they consist of is not known from the data.")
        ),
        "outcomes": (
            _PART,
            "The outcome of this report is in What is estimated; "
            + (
                "which others were planned is not known from the data."
                if study.plan is None
                else "what was planned and not done is in Methods in words."
            ),
        ),
        "harm methods": (
            (_PART, "Harms lists the kinds; how they were asked for is not known from the data.")
            if study.events.recorded
            else absent
        ),
        "methods": _where(
            modelled,
            "; ".join(
                [
                    *([ALIKE] if study.found.balanced else []),
                    "Methods in words" + ("" if study.plan is None else ", with the plan and deviations from it"),
                ]
            ),
            "enough values for a model",
        ),
        "population": (_MET, "; ".join(["What is estimated", *(["Patients, Flow"] if flow else [])])),
        "missing": _where(
            modelled, "; ".join([*(["Missing data"] if due else []), "Methods in words"]), "enough values for a model"
        ),
        "appendix": further if several else alone,
        "flow": _flow(study.flow) if flow else absent,
        "diagram": _where(flow, "Patients, Flow", "a schedule of visits"),
        "losses": _losses(study.flow) if scheduled else absent,
        "dates": (_ABSENT, f"{NOT_KNOWN}: dates are taken out when a cohort is de-identified."),
        "doses": _where(at_home, "Home programme", "home sessions"),
        "baseline": _where(start, "Patients, At the start", "characteristics and values at the start"),
        "results": (
            (_PART, f"{results}: of the outcome of this report; others need a report of their own.")
            if modelled
            else _where(False, results, "enough values for a model")
        ),
        "measurements": _where(
            bool(study.visits["value"].notna().any()), "The measurements, week by week", "values of the outcome"
        ),
        "harms": _where(study.events.recorded, "Harms", "events"),
        "interpretation": (_PART, "In short; Cautions. Other evidence is for the authors to weigh."),
        "limitations": (_PART, "Cautions, as far as the data show them."),
        "subgroups": (_MET, OTHERS if study.parameters["subgroups"] else "This report analyses no subgroups."),
        "sources": (
            _PART,
            "Files in Provenance, the measure in Methods in words; who measured is not known from the data.",
        ),
        "bias": (
            _PART,
            ("Balance in Among patients made alike; " if study.found.balanced else "")
            + "Adjustment in What is estimated; "
            + (
                "differences at the start in Patients, At the start."
                if start
                else "what the patients were like at the start is not known from the data."
            ),
        ),
        "follow-up": (
            (_PART, "Weeks of visits in Patients, Flow; dates are taken out when a cohort is de-identified.")
            if scheduled
            else absent
        ),
        "thresholds": _where(judged, reached, "values to count"),
        "absolute": _where(judged, reached, "values to count") if several else alone,
    }


def _sites(study: Study) -> tuple[str, str]:
    sites = study.cohort.patients.get("site")
    if sites is None or not sites.notna().any():
        return (_ABSENT, f"{NOT_KNOWN}.")
    return (_PART, f"{numbers.plural(sites.nunique(), 'site')} in Patients, At the start; no places or dates.")


def _flow(flow: PatientFlow) -> tuple[str, str]:
    """Say which of the first steps of the flow were given with the cohort."""
    before = flow.before
    early = before is not None and all(counted_at(before, step) is not None for step in ("assessed", "excluded"))
    received = before is not None and all(
        counted_at(before, "received", name) is not None for name in flow.allocated["protocol"]
    )
    lacking = [
        *([] if early else ["who was asked or could not take part"]),
        *([] if received else ["who received the protocol"]),
    ]
    if not lacking:
        return (_MET, "Patients, Flow")
    return (_PART, f"Patients, Flow; {' and '.join(lacking)} {form(len(lacking), 'is')} not known from the data.")


def _losses(flow: PatientFlow) -> tuple[str, str]:
    """Say for how many of those lost a reason is on record."""
    lost = flow.lost
    total, given = int(lost["patients"].sum()), int(lost.loc[lost["reason"] != NO_REASON, "patients"].sum())
    if not total:
        return (_MET, "Patients, Flow: nobody was lost at the last week")
    return (_MET if given == total else _PART, f"Patients, Flow: reasons given for {given} of {total} lost")


def _where(met: bool, section: str, lacking: str) -> tuple[str, str]:
    return (_MET, section) if met else (_ABSENT, f"{NOT_KNOWN}: {lacking}.")
