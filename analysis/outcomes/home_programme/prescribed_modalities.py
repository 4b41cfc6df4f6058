"""Which home sessions each protocol prescribes: what is not prescribed has no adherence, and is not done to 0 %."""

from collections.abc import Iterable

import pandas as pd

PRESCRIBED, NOT_PRESCRIBED, NOT_KNOWN, NO_RECORD = "yes", "no", "not known", "not recorded"


def prescribed_modalities(entries: pd.DataFrame, protocols: pd.Series) -> pd.DataFrame:
    """Say for each protocol and modality whether the protocol prescribes it.

    ``entries`` has protocol, modality and sessions_prescribed of the sessions, ``protocols`` that of each patient, a category. The
    index is protocol and modality, in their orders; the column prescribed is "yes" (an entry has sessions prescribed); "no"
    (every entry has 0, or there is none while other sessions of the protocol are on record); "not known" (what was
    prescribed is missing); "not recorded" (the protocol has no session of any kind).

    Examples
    --------
    >>> entries = pd.DataFrame({"protocol": ["early", "usual"], "modality": ["tens", "exercise"], "sessions_prescribed": 5})
    >>> table = prescribed_modalities(entries, pd.Series(["early", "usual"], dtype="category"))
    >>> table.loc[("usual", "tens"), "prescribed"]
    'no'
    """
    names = [str(name) for name in protocols.cat.categories]
    own = entries.astype({"protocol": "str"})
    modality = own["modality"]
    order = modality.cat.categories if isinstance(modality.dtype, pd.CategoricalDtype) else modality.dropna().unique()
    present = set(modality.dropna().astype("str"))
    kinds = [str(name) for name in order if str(name) in present]
    index = pd.MultiIndex.from_product([names, kinds], names=["protocol", "modality"])
    asked = own["sessions_prescribed"]
    marked = own.astype({"modality": "str"}).assign(some=asked > 0, unknown=asked.isna(), entry=True)
    flags = marked.groupby(["protocol", "modality"])[["some", "unknown", "entry"]].any()
    flags = flags.reindex(index, fill_value=False)
    said = marked[~marked["unknown"]].groupby("modality").size()
    recorded = set(marked["protocol"])
    status = []
    for (protocol, kind), row in zip(flags.index, flags.itertuples(index=False), strict=True):
        if row.some:
            status.append(PRESCRIBED)
        elif protocol not in recorded:
            status.append(NO_RECORD)
        elif row.unknown or (not row.entry and kind not in said.index):
            status.append(NOT_KNOWN)
        else:
            status.append(NOT_PRESCRIBED)
    return pd.DataFrame({"prescribed": pd.Series(status, index=index, dtype="str")})


#: What a reader sees in the place of numbers; missing where there are numbers.
IN_WORDS = {NOT_PRESCRIBED: "not prescribed", NO_RECORD: "not recorded"}


def not_prescribed_in_words(table: pd.DataFrame) -> tuple[str, ...]:
    """Name what is not prescribed by :func:`prescribed_modalities`, and the protocols without any session on record.

    Examples
    --------
    >>> entries = pd.DataFrame({"protocol": ["early", "usual"], "modality": ["tens", "exercise"], "sessions_prescribed": 5})
    >>> not_prescribed_in_words(prescribed_modalities(entries, pd.Series(["early", "usual"], dtype="category")))[0]
    'Not prescribed, as far as the record says: exercise (early), tens (usual).'
    """
    status = table["prescribed"].reset_index()
    notes = []
    no = status[status["prescribed"] == NOT_PRESCRIBED]
    if len(no):
        parts = [f"{kind} ({_listed(rows['protocol'])})" for kind, rows in no.groupby("modality", sort=False)]
        notes.append(f"Not prescribed, as far as the record says: {', '.join(parts)}.")
    silent = status.loc[status["prescribed"] == NO_RECORD, "protocol"].unique()
    if len(silent):
        notes.append(f"No session of any kind is on record for {_listed(silent)}.")
    return tuple(notes)


def _listed(names: Iterable[object]) -> str:
    return ", ".join(str(name) for name in names)
