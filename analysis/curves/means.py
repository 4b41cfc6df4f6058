"""Model means by week, and differences between groups, with intervals."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analysis.curves.covariances.residual_base import Array
from analysis.curves.engine.contrasts import Adjust, adjust_table
from analysis.curves.engine.fitted_model import FittedModel
from analysis.errors import ModelError


def model_means(
    model: FittedModel, by: str | Sequence[str] | None, weeks: Sequence[float] | None, level: float
) -> pd.DataFrame:
    """Estimate the mean outcome at each week, by group, as :meth:`analysis.curves.mixed_model.MixedModel.means` says.

    Categories that are not in ``by`` are averaged with equal weights, as estimated marginal means usually are (Searle,
    Speed & Milliken 1980, Am Stat 34(4)).
    """
    groups = group_names(model, by)
    grid, rows = mean_rows(model, groups, weeks)
    table = model.contrasts.estimates(rows, level).drop(columns=["statistic", "p_value"])
    table = pd.concat([grid, table], axis=1)
    table["level"], table["method"] = level, model.inference
    table["n"] = group_sizes(model, grid, groups)
    return table


def model_differences(
    model: FittedModel,
    of: str,
    reference: str | None,
    weeks: Sequence[float] | None,
    adjust: Adjust,
    level: float,
) -> pd.DataFrame:
    """Estimate the difference of each group from a reference, as ``MixedModel.differences`` says."""
    if not isinstance(of, str):
        raise ModelError(
            f"Differences are between the levels of one category, not of {of!r}.",
            where="differences(of=...)",
            what_to_do="Name one, such as of='protocol'; means(by=[...]) gives the means of several together.",
        )
    groups = group_names(model, of)
    levels = list(model.design.covariates[groups[0]].levels or ())
    base = levels[0] if reference is None else str(reference)
    if base not in levels:
        raise ModelError(
            f"{of} has no level {base!r}.", where=f"levels: {', '.join(levels)}", what_to_do="Name one of these levels."
        )
    grid, rows = mean_rows(model, groups, weeks)
    is_base = (grid[of] == base).to_numpy()
    count = int(is_base.sum())
    others = [name for name in levels if name != base]
    if not others:
        raise ModelError(f"{of} has one level only.", where=base, what_to_do="There is nothing to compare.")
    parts = [rows[(grid[of] == name).to_numpy()] - rows[is_base] for name in others]
    table = adjust_table(model.contrasts.estimates(np.concatenate(parts), level), adjust, level)
    place = np.repeat([levels.index(name) for name in others], count)
    weeks_of_rows = np.tile(grid["week"].to_numpy()[is_base], len(others))
    return pd.DataFrame(
        {
            of: pd.Series(pd.Categorical.from_codes(place, pd.Index(levels))),
            "reference": base,
            "week": weeks_of_rows,
            **{name: table[name] for name in table.columns},
            "level": level,
            "method": model.inference,
            "adjust": adjust,
        }
    )


def group_names(model: FittedModel, by: str | Sequence[str] | None) -> list[str]:
    """Check the categories that means are wanted by."""
    names = [] if by is None else [by] if isinstance(by, str) else list(by)
    for name in names:
        covariate = model.design.covariates.get(name)
        if covariate is None or covariate.levels is None:
            categories = [known.name for known in model.design.covariates.values() if known.levels is not None]
            raise ModelError(
                f"The model has no categories {name!r}.",
                where=f"categories of the formula: {', '.join(categories) or 'none'}",
                what_to_do="Name one of these, or put the column into the formula.",
            )
    return names


def mean_rows(model: FittedModel, groups: list[str], weeks: Sequence[float] | None) -> tuple[pd.DataFrame, Array]:
    """Give the reference grid (groups and week) and the contrasts that are its means."""
    design = model.design
    at = model.weeks_or_default(weeks)
    averaged = [
        covariate.name
        for covariate in design.covariates.values()
        if covariate.levels is not None and covariate.scope != "week" and covariate.name not in groups
    ]
    levels = {name: design.covariates[name].levels or () for name in [*groups, *averaged]}
    sizes = [*(len(levels[name]) for name in groups), at.size, *(len(levels[name]) for name in averaged)]
    codes = np.indices(sizes).reshape(len(sizes), -1)
    places = [*range(len(groups)), *range(len(groups) + 1, len(sizes))]
    of_levels = {
        name: pd.Categorical.from_codes(codes[place], dtype=pd.CategoricalDtype(list(levels[name])))
        for place, name in zip(places, levels, strict=True)
    }
    means = {
        covariate.name: np.full(codes.shape[1], covariate.mean)
        for covariate in design.covariates.values()
        if covariate.levels is None and covariate.scope != "week"
    }
    frame = design.week_frame(at[codes[len(groups)]]).assign(**of_levels, **means)
    inner = int(np.prod(sizes[len(groups) + 1 :]))
    rows = design.matrix(frame).reshape(-1, inner, len(design.columns)).mean(axis=1)
    grid = {name: of_levels[name][::inner] for name in groups}
    return pd.DataFrame({**grid, "week": at[codes[len(groups)][::inner]]}), rows


def group_sizes(model: FittedModel, grid: pd.DataFrame, groups: list[str]) -> list[float]:
    """Count the patients of each group; missing where moments of three or more categories together are not held."""
    moments = model.moments
    k = len(moments.patient_labels)
    total = moments.products[:, :k, :k].sum(axis=0)  # indicators are not shifted: products count patients
    sizes: list[float] = []
    for cell in zip(*(grid[name] for name in groups), strict=True) if groups else [()] * len(grid):
        labels = [f"{name}[{level}]" for name, level in zip(groups, cell, strict=True)]
        known = [moments.patient_labels.index(label) for label in labels if label in moments.patient_labels]
        if len(known) < len(labels) or len(labels) > 2:
            sizes.append(float("nan"))
            continue
        first, last = (known[0], known[-1]) if known else (0, 0)
        sizes.append(float(round(total[first, last])))
    return sizes
