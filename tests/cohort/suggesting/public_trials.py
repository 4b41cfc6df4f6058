"""Three public trials from their file to a cohort: the suggested map, and the lines of it that a person changed, recorded.

What a person adds for the looks (labels of protocols, a longer name of a measure) is not in here: nothing depends on it.
"""

from __future__ import annotations

from difflib import SequenceMatcher
from pathlib import Path

from analysis.cohort import suggest_map

#: Lines of the suggested map and what stands in their place; the comment of a line counts to it.
CHANGES: dict[str, tuple[tuple[str, str], ...]] = {
    "BtheB": (
        ('# reference = ...  # the protocol that the others are compared with, one of "AAA", "AaaaA"', 'reference = "TAU"'),
        ('direction = "higher is better"', 'direction = "lower is better"'),
        ("highest = 53", "highest = 63"),
    ),
    "Wong": (
        ('protocol = { constant = "all" }  # not sure: no column is named like a protocol or group; is there one?',
         'protocol = { column = "sex", order = ["Male", "Female"] }'),
    ),
    "Orthodont": (
        ('protocol = { constant = "all" }  # not sure: no column is named like a protocol or group; is there one?',
         'protocol = { column = "Sex", order = ["Male", "Female"] }'),
        ('unit = "points"', 'unit = "mm"'),
    ),
}  # fmt: skip


def changed_map(file: Path, target: Path) -> int:
    """Write the suggested map of a trial with the changes made, and give how many of its lines are other ones."""
    suggest_map(file, target)
    suggested = target.read_text(encoding="utf-8").splitlines()
    changed = list(suggested)
    for old, new in CHANGES[file.stem]:
        changed[changed.index(old)] = new
    target.write_text("\n".join(changed) + "\n", encoding="utf-8")
    blocks = SequenceMatcher(None, suggested, changed, autojunk=False).get_opcodes()
    return sum(max(b - a, d - c) for tag, a, b, c, d in blocks if tag != "equal")
