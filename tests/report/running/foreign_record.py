"""A record as somebody else might send it: it names a report and a notebook, and shows nothing."""

import json

NOBODY = "0" * 64


def write_record(file, report, path="", *, sha256=NOBODY):
    data = {
        "report": report, "notebook": {"name": f"{report}.ipynb", "sha256": sha256, "bytes": 1, "path": path},
        "cohort": "../cohort", "inputs": [],
        "origin": {"sources": [], "scenario": None, "seed": None, "parameters": {}, "steps": []},
        "parameters": {}, "formats": ["html"], "versions": {}, "code": NOBODY, "system": "x", "shows": [],
    }  # fmt: skip
    file.write_text(json.dumps(data), encoding="utf-8")
    return file
