"""The kinds of home session."""

from __future__ import annotations

#: Kinds of home session.
MODALITIES = ("exercise", "strength stimulation", "pain stimulation")
