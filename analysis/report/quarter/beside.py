"""Files that lie beside a cohort folder and have its name, such as the release ledger and the quarter file."""

from pathlib import Path


def file_beside(folder: Path, named: str | None, ending: str) -> Path:
    """Give the file that was named, or the one beside a folder with its name and an ending.

    Examples
    --------
    >>> file_beside(Path("clinic/quarters"), None, ".releases.json").name
    'quarters.releases.json'
    >>> file_beside(Path("clinic/quarters"), "board.json", ".releases.json").name
    'board.json'
    """
    if named is not None:
        return Path(named)
    whole = folder.resolve()
    return whole.parent / f"{whole.name}{ending}"
