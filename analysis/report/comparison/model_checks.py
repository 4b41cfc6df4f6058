"""Whether the model of the report fits: its residuals, for the appendix."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.report.figures.model_figures import quantile_figure, residual_figure
from analysis.report.parts.passages import Section, absent

if TYPE_CHECKING:
    from analysis.report.comparison.study import Study


def model_checks(study: Study) -> Section:
    """Show the residuals of the recovery curves against week, fitted mean and the normal distribution."""
    if study.curves is None:
        return Section((absent(f"a model to be checked. {study.no_curves}"),))
    return Section((residual_figure(study.curves.model), quantile_figure(study.curves.model)))
