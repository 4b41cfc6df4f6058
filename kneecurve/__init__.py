"""The kit by its own name: importing it says in one sentence where a file of the user's hides the package ``analysis``.

A file ``analysis.py`` beside a notebook is found before the kit, and nothing of the kit can then say so itself.
"""

import sys
from importlib.util import find_spec
from pathlib import Path

_HERE = Path(__file__).resolve().parent.parent


def _hidden_by() -> Path | None:
    """Give the file that ``import analysis`` finds in place of the kit; None where it finds the kit."""
    found = find_spec("analysis")
    if found is None or found.origin is None or Path(found.origin).resolve().parent == _HERE / "analysis":
        return None
    return Path(found.origin).resolve()


if (_file := _hidden_by()) is not None:
    _sentence = f"The file {_file} hides the kit's package analysis: give your file another name, and start again."
    # the command ends with the sentence alone; a notebook shows it as the last line of the cell
    raise (
        SystemExit(_sentence)
        if sys.argv[0] == "-m" or Path(sys.argv[0]).stem == "kneecurve"
        else ImportError(_sentence)
    )
