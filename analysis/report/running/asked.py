"""What a record may ask of a report of the kit: it may come from anywhere, and a few letters could ask for days of work."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.errors import ReportError
from analysis.report.planned.plan import PLAN_PARAMETER, plan_of_text
from analysis.report.running.notebooks import notebook_parameters, read_notebook, report_names

#: Largest whole number and longest list among the parameters (design choices). Whole numbers count imputed data sets (50 by
#: default, and a thousand change no digit that is shown) and quarters; lists hold measures and changes, some tens.
MOST_ASKED = 1_000


def refuse_large_parameters(record_file: Path, parameters: Mapping[str, Any], notebook: Path) -> None:
    """Refuse parameters of a report of the kit, and of its plan, beyond :data:`MOST_ASKED`.

    Whoever trusts another notebook trusts its record.

    Raises
    ------
    ReportError
        A whole number is too large, or a list too long; or the plan is none.
    """
    if notebook.stem not in report_names():
        return
    if parameters.get(PLAN_PARAMETER) is not None:
        plan = plan_of_text(parameters[PLAN_PARAMETER], f"{record_file}, parameters, {PLAN_PARAMETER}")
        parameters = {**plan.parameters(), **parameters}
    whole = {
        one.name for one in notebook_parameters(read_notebook(notebook), where=notebook.name) if one.declared == "int"
    }
    large = [f"{name} {value:,}" for name, value in parameters.items()
             if name in whole and isinstance(value, int) and abs(value) > MOST_ASKED]  # fmt: skip
    large += [f"{name} with {len(value):,} entries" for name, value in parameters.items()
              if isinstance(value, list) and len(value) > MOST_ASKED]  # fmt: skip
    if large:
        raise ReportError(
            f"The record asks for more than the {MOST_ASKED:,} that a record may ask for: {', '.join(large)}.",
            where=f"{record_file}, parameters",
            what_to_do="If you want that, ask for it yourself: kneecurve report NAME FOLDER --out DIR --set NAME=VALUE.",
        )
