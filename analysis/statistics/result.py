"""What every result of this package shares: frozen, made of data frames, and able to show itself in a notebook."""

from __future__ import annotations

import html
from dataclasses import dataclass, fields

import pandas as pd

_ROWS_SHOWN = 40


@dataclass(frozen=True, eq=False)
class Result:
    """Base of the results: shows its tables and notes in a notebook and as text.

    Subclasses are frozen data classes; their fields that are data frames are shown under their names, in the order
    of definition, apart from the names in ``hidden``. A ``notes`` field, a tuple of sentences, is shown below.
    """

    #: Frames with one row a patient, which a result does not show by itself.
    hidden = ("patients",)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Give the frames of the result by name, those with one row a patient left out."""
        named = {one.name: getattr(self, one.name) for one in fields(self) if one.name not in self.hidden}
        return {name: value for name, value in named.items() if isinstance(value, pd.DataFrame)}

    def _repr_html_(self) -> str:
        parts = [f"<p><strong>{html.escape(self._headline())}</strong></p>"]
        for name, table in self.tables().items():
            parts.append(f"<p>{html.escape(name.replace('_', ' '))}</p>")
            parts.append(table.head(_ROWS_SHOWN).to_html(index=False, border=0))
            if len(table) > _ROWS_SHOWN:
                parts.append(f"<p>The first {_ROWS_SHOWN} of {len(table):,} rows.</p>")
        notes = [f"<li>{html.escape(note)}</li>" for note in getattr(self, "notes", ())]
        if notes:
            parts.append(f"<ul>{''.join(notes)}</ul>")
        return "".join(parts)

    def __repr__(self) -> str:
        parts = [self._headline()]
        for name, table in self.tables().items():
            parts.append(f"{name.replace('_', ' ')}\n{table.head(_ROWS_SHOWN).to_string(index=False)}")
        parts.extend(getattr(self, "notes", ()))
        return "\n\n".join(parts)

    def _headline(self) -> str:
        return type(self).__name__
