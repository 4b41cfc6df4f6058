"""The record beside a report: input hashes, versions, parameters, seed, command, and a digest of all that is shown."""

import csv
import hashlib
import io
import platform
import shlex
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.cohort.files.settings_files import read_json
from analysis.cohort.provenance import Provenance, Source, describe_source
from analysis.errors import CohortError, ReportError
from analysis.report.forms.digest import Digest
from analysis.report.forms.document import Document
from analysis.report.parts.tables import Table
from analysis.report.planned.plan import PLAN_PARAMETER, plan_in
from analysis.writing.swaps import finish

#: Packages whose version can change a number or a picture.
PACKAGES = (
    "kneecurve", "numpy", "pandas", "scipy", "formulaic", "statsmodels", "pingouin", "matplotlib", "pillow", "seaborn",
    "pyarrow", "papermill", "mistune", "typst", "pypandoc-binary",
)  # fmt: skip
#: Name of the table of signals of a quarter's outcomes.
SIGNALS = "signals"
NOT_INSTALLED = "not installed as a package"
_CODE = (".py", ".toml", ".css", ".j2", ".typ", ".docx", ".pptx")


@dataclass(frozen=True)
class Record:
    """The record beside a report.

    Parameters
    ----------
    report : str
        Name of the report.
    notebook : Source
        The notebook that was run.
    own_notebook : str
        Path of a notebook of one's own, from where the report is; empty for a report of the kit.
    cohort : str
        Cohort folder, from where the report is.
    inputs : tuple of Source
        Files of the cohort folder with their hashes.
    origin : Provenance
        Where the cohort came from, with scenario and seed where it is invented.
    parameters : mapping
        Parameters given; the others had their defaults.
    formats : tuple of str
        Forms written.
    versions : mapping
        Package and version; Python is among them.
    code : str
        SHA-256 over the source files of the kit.
    system : str
        Operating system and processor.
    shows : tuple of Digest
        What the report shows, table by table, without the pictures themselves.
    files : tuple of str
        The files of the report, from its folder; with ``overwrite`` these are replaced and no others.
    templates : mapping
        SHA-256 of the user's own template, by form.
    signals : tuple of mapping
        Signals of a quarter's outcomes: indicator, state (new, goes on, none now, cannot be judged now), way, since.
    """

    report: str
    notebook: Source
    own_notebook: str
    cohort: str
    inputs: tuple[Source, ...]
    origin: Provenance
    parameters: Mapping[str, Any]
    formats: tuple[str, ...]
    versions: Mapping[str, str]
    code: str
    system: str
    shows: tuple[Digest, ...]
    files: tuple[str, ...] = ()
    templates: Mapping[str, str] = field(default_factory=dict)
    signals: tuple[Mapping[str, str], ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and dictionaries; of a plan that was followed the hash beside its text in the parameters."""
        plan = plan_in(self.parameters)
        return {
            "report": self.report,
            "command": command_to_repeat(self.own_notebook or self.report, self.cohort, self.parameters),
            "notebook": {**_source(self.notebook), "path": self.own_notebook},
            "cohort": self.cohort,
            "inputs": [_source(source) for source in self.inputs],
            "seed": self.origin.seed,
            "scenario": self.origin.scenario,
            "origin": self.origin.to_json(),
            "parameters": dict(self.parameters),
            **({} if plan is None else {"plan": {"sha256": plan.sha256, "kit": plan.kit, "made": plan.made}}),
            "formats": list(self.formats),
            "files": list(self.files),
            "versions": dict(self.versions),
            "code": self.code,
            "system": self.system,
            "shows": [asdict(one) for one in self.shows],
            **({"templates": dict(self.templates)} if self.templates else {}),
            **({"signals": [dict(one) for one in self.signals]} if self.signals else {}),
        }


def read_record(path: Path | str) -> Record:
    """Read the record of a report.

    Parameters
    ----------
    path : Path or str
        The JSON file beside a report.

    Returns
    -------
    Record
        What the report was made from.

    Raises
    ------
    ReportError
        There is no such file, or it is not the record of a report.

    Examples
    --------
    >>> read_record("report/none.json")
    Traceback (most recent call last):
    ...
    analysis.errors.ReportError: There is no such record.
      where: report/none.json
      what to do: Name the JSON file that kneecurve report wrote beside the report.
    """
    advice = "Name the JSON file that kneecurve report wrote beside the report."
    file = Path(path)
    refuse_impossible_name(file, error=ReportError)
    if not file.is_file():
        raise ReportError("There is no such record.", where=str(path), what_to_do=advice)
    try:
        data = read_json(file)
        notebook = data["notebook"]
        return Record(
            report=_text(data["report"]),
            notebook=_read_source(notebook),
            own_notebook=_text(notebook["path"]),
            cohort=_text(data["cohort"]),
            inputs=tuple(_read_source(one) for one in data["inputs"]),
            origin=Provenance.from_json(data["origin"]),
            parameters=dict(data["parameters"]),
            formats=tuple(_text(one) for one in data["formats"]),
            versions={_text(name): _text(version) for name, version in data["versions"].items()},
            code=_text(data["code"]),
            system=_text(data["system"]),
            shows=tuple(Digest(**one) for one in data["shows"]),
            files=tuple(_text(one) for one in data.get("files", [])),
            templates={_text(form): _text(sha256) for form, sha256 in data.get("templates", {}).items()},
            signals=tuple(
                {_text(name): _text(value) for name, value in one.items()} for one in data.get("signals", [])
            ),
        )
    except (AttributeError, CohortError, KeyError, OSError, OverflowError, TypeError, ValueError) as error:
        raise ReportError(
            "The file is not the record of a report, or an older version wrote it.",
            where=str(path),
            what_to_do=advice,
        ) from error


def signals_of(document: Document) -> tuple[dict[str, str], ...]:
    """Give the signals that a quarter's outcomes list: indicator, site, state, way, since; nothing of other reports."""
    table = next((one for one in document.blocks if isinstance(one, Table) and one.name == SIGNALS), None)
    if table is None:
        return ()
    rows = csv.DictReader(io.StringIO(table.to_csv()))
    return tuple(
        {name: str(row.get(name) or "") for name in ("indicator", "site", "state", "way", "since")} for row in rows
    )


def record_inputs(folder: Path) -> tuple[Source, ...]:
    """Hash the files of a cohort folder, by file name.

    Raises
    ------
    ReportError
        There is no such folder.
    """
    refuse_impossible_name(folder, error=ReportError)
    finish(folder)
    if not folder.is_dir():
        raise ReportError(
            "There is no such cohort folder.",
            where=str(folder),
            what_to_do="Check the path; kneecurve import and kneecurve demo write cohort folders.",
        )
    return tuple(describe_source(path) for path in sorted(folder.iterdir()) if path.is_file() and path.name[0] != ".")


def record_origin(folder: Path) -> Provenance:
    """Read where a cohort came from, without its tables; nothing is known where the folder does not say it.

    What was done to the data is left in the folder: its sentences may name counts that a report hides.
    """
    try:
        described = read_json(folder / "datapackage.json")
        found = Provenance.from_json(described["kneecurve"]["provenance"])
        return replace(found, parameters=dict(found.parameters), steps=())
    except (CohortError, KeyError, OSError, TypeError, ValueError):
        return Provenance()


def versions() -> dict[str, str]:
    """Return the versions of Python and of the packages that numbers and pictures depend on.

    Examples
    --------
    >>> sorted(versions())[:2]
    ['formulaic', 'kneecurve']
    """
    found = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = NOT_INSTALLED
    return found


def system() -> str:
    """Return the operating system and the processor, which can move the last digits of a number."""
    return f"{platform.system()} {platform.machine()}"


def code_digest() -> str:
    """Hash the source files of the kit, since a version number does not tell whether they were changed.

    Examples
    --------
    >>> len(code_digest())
    64
    """
    root = Path(__file__).resolve().parents[2]
    digest = hashlib.sha256()
    for path in sorted(root.rglob("*"), key=lambda one: one.relative_to(root).as_posix()):
        if path.suffix in _CODE and path.is_file():
            digest.update(path.relative_to(root).as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def command_to_repeat(report: str, folder_name: str, parameters: Mapping[str, Any]) -> str:
    """Return the command that makes the report again, with the parameters that differ from the defaults or from the plan.

    Examples
    --------
    >>> command_to_repeat("protocol_comparison", "cohort", {"primary_week": 12.0})
    'kneecurve report protocol_comparison cohort --out report --set primary_week=12.0'
    >>> print(command_to_repeat("one_patient", "cohort", {"patient": "p0003"}))
    kneecurve report one_patient cohort --out report --set "patient='p0003'"
    """
    plan = plan_in(parameters)
    said = {} if plan is None else {**plan.parameters(), PLAN_PARAMETER: parameters[PLAN_PARAMETER]}
    differ = {name: value for name, value in parameters.items() if name not in said or value != said[name]}
    settings = [part for name, value in differ.items() for part in ("--set", f"{name}={value!r}")]
    by_plan = [] if plan is None else ["--plan", "plan.toml"]
    return " ".join(
        _argument(one) for one in ("kneecurve", "report", report, folder_name, "--out", "report", *by_plan, *settings)
    )


def _argument(text: str) -> str:
    """Quote an argument that needs it, in the double quotes that every shell knows where nothing in it is special there."""
    quoted = shlex.quote(text)
    return f'"{text}"' if quoted != text and not set(text) & set('"$`\\!') else quoted


def time_stamp() -> str:
    """Return the present time in UTC, to the second: the only thing that differs between two equal runs."""
    return datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def hashes(files: Mapping[Any, bytes]) -> dict[str, str]:
    """Give the SHA-256 of each of several files."""
    return {str(name): hashlib.sha256(file).hexdigest() for name, file in files.items()}


def _source(source: Source) -> dict[str, Any]:
    return {"name": source.name, "sha256": source.sha256, "bytes": source.n_bytes}


def _read_source(described: Mapping[str, Any]) -> Source:
    return Source(_text(described["name"]), _text(described["sha256"]), int(described["bytes"]))


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is no text")
    return value
