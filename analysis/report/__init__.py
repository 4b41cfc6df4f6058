"""REPORT: figures, tables and notebooks turned into pages; everything is loaded when it is first used."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.report.comparison.by_plan.making import plan_analysis
    from analysis.report.exporting.export import ExportedFiles, export_report
    from analysis.report.figures.adherence_figures import dose_figure
    from analysis.report.figures.difference_figure import difference_figure
    from analysis.report.figures.model_figures import patient_effect_figure, quantile_figure, residual_figure
    from analysis.report.figures.recovery_figure import recovery_figure
    from analysis.report.figures.responder_figures import responder_figure
    from analysis.report.figures.sensitivity_figures import calibration_figure
    from analysis.report.figures.thresholds.reliability_figures import agreement_figure, correlation_table, error_table
    from analysis.report.figures.thresholds.threshold_figures import anchor_figure, threshold_figure
    from analysis.report.parts.figures import Figure
    from analysis.report.parts.passages import Passage, Section
    from analysis.report.parts.tables import Column, Table
    from analysis.report.planned.plan import AnalysisPlan, read_plan
    from analysis.report.planned.write import write_plan
    from analysis.report.running.declared import with_parameters
    from analysis.report.running.make import make_report, make_reports
    from analysis.report.running.notebooks import notebook_folder, report_names
    from analysis.report.running.repeat import Repetition, repeat_report
    from analysis.report.running.report_files import ReportFiles
    from analysis.report.running.working_copy import copy_notebooks

_NAMES = {
    "comparison.by_plan.making": ("plan_analysis",),
    "planned.plan": ("read_plan", "AnalysisPlan"),
    "planned.write": ("write_plan",),
    "running.make": ("make_report", "make_reports"),
    "running.report_files": ("ReportFiles",),
    "running.repeat": ("repeat_report", "Repetition"),
    "exporting.export": ("export_report", "ExportedFiles"),
    "running.notebooks": ("report_names", "notebook_folder"),
    "running.declared": ("with_parameters",),
    "running.working_copy": ("copy_notebooks",),
    "figures.model_figures": ("residual_figure", "quantile_figure", "patient_effect_figure"),
    "figures.recovery_figure": ("recovery_figure",),
    "figures.difference_figure": ("difference_figure",),
    "figures.responder_figures": ("responder_figure",),
    "figures.adherence_figures": ("dose_figure",),
    "figures.thresholds.reliability_figures": ("agreement_figure", "correlation_table", "error_table"),
    "figures.thresholds.threshold_figures": ("threshold_figure", "anchor_figure"),
    "figures.sensitivity_figures": ("calibration_figure",),
    "parts.figures": ("Figure",),
    "parts.tables": ("Table", "Column"),
    "parts.passages": ("Passage", "Section"),
}
_HOMES = {name: home for home, names in _NAMES.items() for name in names}

__all__ = [  # noqa: RUF022 - in the order of the work
    "plan_analysis",  # a cohort without its values, or a design -> the plan of a comparison
    "write_plan",  # the plan, and the document that is signed
    "read_plan",  # from the file it was written to
    "AnalysisPlan",
    "make_report",  # run a report notebook and write its page
    "make_reports",  # the same for several sets of parameters, each into a folder of its own
    "ReportFiles",  # where it was written
    "repeat_report",  # make a report again from its record, and compare
    "Repetition",  # what came of it
    "export_report",  # its figures and tables as files for a journal
    "ExportedFiles",  # which were written
    "report_names",  # which reports there are
    "notebook_folder",  # where their notebooks are
    "with_parameters",  # what prepares a report, called with the parameters of its notebook
    "copy_notebooks",  # a folder to work in
    "residual_figure",  # residuals of a mixed model against week and fitted mean
    "quantile_figure",  # residuals against the normal distribution
    "patient_effect_figure",  # the patients' effects in order of size
    "recovery_figure",  # recovery curves with the patients behind them
    "difference_figure",  # differences from the reference by week
    "responder_figure",  # who reached the threshold, by protocol
    "dose_figure",  # minutes done and stimulation delivered at home, by week
    "agreement_figure",  # repeated measurements against their mean, with limits of agreement
    "correlation_table",  # the six intraclass correlations
    "error_table",  # error of measurement, and the change that one patient or a group must exceed
    "threshold_figure",  # thresholds by several methods against the error of one test
    "anchor_figure",  # improvement by what patients said
    "calibration_figure",  # whether probabilities of response were right
    "Figure",  # a figure with its sentence and its table
    "Table",  # a table with its caption and notes
    "Column",  # how a column is shown
    "Passage",  # sentences
    "Section",  # what one cell of a report shows
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"analysis.report.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return __all__
