"""A working folder: the notebooks, with invented cohorts beside them: a small one, and one by quarter."""

import shutil
from pathlib import Path

from analysis.cohort.files.paths import refuse_impossible_name
from analysis.errors import ReportError
from analysis.report.running.notebooks import notebook_folder
from analysis.report.running.placing import working_folder
from analysis.writing.swaps import swap

#: Small enough to be quick, large enough that every structure of the report can be fitted.
PATIENTS, SEED = 120, 1
#: A quarter's outcomes need more patients, and say in which quarter they started.
PATIENTS_BY_QUARTER, QUARTERS = 1_200, 12


def copy_notebooks(to: Path | str, *, overwrite: bool = False) -> list[Path]:
    """Copy the notebooks to a folder to work in, with a small invented cohort beside them.

    Parameters
    ----------
    to : Path or str
        Folder that is written; made where it is not there. Other files in it are left alone.
    overwrite : bool
        Whether notebooks and the cohort copied earlier are replaced.

    Returns
    -------
    list of Path
        The notebooks, then the cohort folders. Open them with ``jupyter lab FOLDER``.

    Raises
    ------
    ReportError
        Something of that name is there and ``overwrite`` is not set, or the folder cannot be written.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     [path.relative_to(folder).as_posix() for path in copy_notebooks(folder) if "protocol" in path.name]
    ['reports/protocol_comparison.ipynb']
    """
    from analysis.cohort import write_cohort
    from synthetic_cohort import generate_cohort

    source, destination = notebook_folder(), Path(to)
    refuse_impossible_name(destination, error=ReportError)
    names = sorted(
        path.relative_to(source) for path in source.rglob("*.ipynb") if ".ipynb_checkpoints" not in path.parts
    )
    wanted = [*names, Path("cohort"), Path("cohort_by_quarter")]
    there = [str(destination / name) for name in wanted if (destination / name).exists()]
    if there and not overwrite:
        raise ReportError(
            "The notebooks are there already; copying would undo what you changed.",
            where=", ".join(there[:3]) + (f" and {len(there) - 3} more" if len(there) > 3 else ""),
            what_to_do="Add --overwrite (in Python overwrite=True), or choose another folder.",
        )
    with working_folder(destination, "The notebooks") as working:
        write_cohort(generate_cohort(patients=PATIENTS, seed=SEED).observed, working / "cohort")
        by_quarter = generate_cohort(patients=PATIENTS_BY_QUARTER, seed=SEED, quarters=QUARTERS).observed
        write_cohort(by_quarter, working / "cohort_by_quarter", file_format="parquet")
        for name in names:
            (working / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source / name, working / name)
        for name in wanted:
            _move(working / name, destination / name)
    return [destination / name for name in wanted]


def _move(source: Path, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    if source.is_dir():
        swap(source, target)
    else:
        source.replace(target)
