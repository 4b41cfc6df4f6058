"""A part of a report in a notebook: text, HTML, and a description in one type of our own that gives the part back."""

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import Any, ClassVar, Self

from analysis.foreign_text import visible_lines

#: Type of the description in the outputs of a notebook; every form of a report is made from it.
PART_TYPE = "application/vnd.kneecurve.part+json"


class Part(ABC):
    """A passage, a table or a figure: shown in a notebook, and read back from it as the same class.

    ``part`` is its name in the description and in the record of a report.
    """

    part: ClassVar[str]

    @abstractmethod
    def to_json(self) -> dict[str, Any]:
        """Return the part as it is shown, in plain lists and dictionaries."""

    @classmethod
    @abstractmethod
    def from_json(cls, shown: Mapping[str, Any]) -> Self:
        """Give back the part that :meth:`to_json` described."""

    @abstractmethod
    def to_html(self) -> str:
        """Return the part as an HTML fragment; all text escaped."""

    def words(self) -> dict[str, Any]:
        """Return what the record of a report keeps a digest of: every word and number, no picture."""
        return self.to_json()

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> Any:  # noqa: ARG002
        return {
            "text/plain": visible_lines(str(self)),
            "text/html": self.to_html(),
            PART_TYPE: {self.part: self.to_json()},
        }
