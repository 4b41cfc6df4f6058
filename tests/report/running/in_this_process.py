"""Run a small notebook in this process, for tests of what happens to its report before and after: no kernel is started."""

import ast
import contextlib
import copy
import io
import os
from unittest import mock

from IPython.core.formatters import DisplayFormatter
from nbformat.v4 import new_output
from papermill.parameterize import parameterize_notebook

from analysis.report import Section


def run_here(notebook, parameters, *, working_folder, progress=None, environment=()):
    """Take the place of ``run_notebook`` for cells that do not fail."""
    ready = copy.deepcopy(notebook)
    ready.metadata["papermill"] = {}
    for cell in ready.cells:
        cell.metadata.setdefault("tags", [])
    if parameters:  # as papermill does
        ready = parameterize_notebook(ready, parameters, kernel_name="python3", language="python")
    ready.metadata["papermill"] = {"parameters": dict(parameters)}
    names = {}
    with contextlib.chdir(working_folder), mock.patch.dict(os.environ, environment):
        for number, cell in enumerate(ready.cells):
            if progress:
                progress(number, len(ready.cells))
            if "injected-parameters" in cell.metadata.get("tags", ()):
                cell["id"] = "injected-parameters"
            if cell.cell_type == "code":
                cell.outputs = run(cell.source, names)
    return ready, None


def run(source, names):
    """Run a cell; give what it printed and what its last expression shows, as outputs."""
    tree = ast.parse(source)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(tree, "cell", "exec"), names)
        value = eval(compile(ast.Expression(last.value), "cell", "eval"), names) if last else None
    found = [new_output("stream", name="stdout", text=printed.getvalue())] if printed.getvalue() else []
    for one in value if isinstance(value, Section) else () if value is None else (value,):
        data, metadata = DisplayFormatter().format(one)
        found.append(new_output("display_data", data=data, metadata=metadata))
    return found
