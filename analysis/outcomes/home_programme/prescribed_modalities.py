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
    present = entries["modality"].dropna().unique()
    order = present.categories if isinstance(present, pd.Categorical) else present
    kinds = [str(name) for name in order if name in present]
    index = pd.MultiIndex.from_product([names, kinds], names=["protocol", "modality"])
    asked = entries["sessions_prescribed"]
    key = entries[["protocol", "modality"]].astype("category")  # not by texts, of which there is one an entry
    marked = key.assign(some=asked > 0, unknown=asked.isna(), entry=True)
    flags = marked.groupby(["protocol", "modality"], observed=True)[["some", "unknown", "entry"]].any().reset_index()
    flags = flags.astype({"protocol": "str", "modality": "str"}).set_index(["protocol", "modality"])
    flags = flags.reindex(index, fill_value=False)
    said = {str(name) for name in key.loc[asked.notna(), "modality"].dropna().unique()}
    recorded = {str(name) for name in key["protocol"].dropna().unique()}
    status = []
    for (protocol, kind), row in zip(flags.index, flags.itertuples(index=False), strict=True):
        if row.some:
            status.append(PRESCRIBED)
        elif protocol not in recorded:
            status.append(NO_RECORD)
        elif row.unknown or (not row.entry and kind not in said):
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
