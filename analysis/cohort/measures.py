"""Outcome measures: unit, direction, plausible range, and the thresholds of change with where they come from."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeVar, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.errors import CohortError
from analysis.result import Result

Direction = Literal["higher is better", "lower is better"]
ThresholdKind = Literal["MIC", "MDC"]
#: The unit of a measure that is 1 where something holds and 0 where it does not.
YES_NO = "yes or no"
Values = TypeVar("Values", "pd.Series[float]", "NDArray[np.float64]")


@dataclass(frozen=True)
class Threshold:
    """A size of change within one patient, and whom it was found in.

    Parameters
    ----------
    value : float
        Size of the change in the unit of the measure, in the direction of improvement; positive.
    kind : {"MIC", "MDC"}
        MIC: minimal important change, a change that matters to patients. MDC: minimal detectable change, a change
        beyond the error of measurement; it says nothing about importance.
    population, procedure, follow_up, method, source : str
        In whom, after what, when, how and where it was found.
    mark : str
        V: read in the source; M: from memory of the source; D: own derivation or design choice.
    accepted : bool
        Whether it may serve as the default threshold of the measure; ``note`` says why not.
    note : str
        What a reader must know.
    """

    value: float
    kind: ThresholdKind
    population: str
    procedure: str = ""
    follow_up: str = ""
    method: str = ""
    source: str = ""
    mark: str = ""
    accepted: bool = True
    note: str = ""

    @property
    def name(self) -> str:
        """Kind in words."""
        return "minimal important change" if self.kind == "MIC" else "minimal detectable change"


@dataclass(frozen=True)
class MixUp:
    """A unit that the measure is often recorded in by mistake: its usual values, and how to convert them."""

    unit: str
    lowest: float
    highest: float
    what_to_do: str


@dataclass(frozen=True, repr=False)
class Measure(Result):
    """An outcome measure.

    Parameters
    ----------
    name : str
        Name used in the tables.
    label : str
        Name shown to readers.
    unit : str
        Unit of the values.
    direction : {"higher is better", "lower is better"}
        Which way improvement goes.
    lowest, highest : float
        Plausible range, ends included.
    ideal : float or None
        The best value, where values beyond it in the better direction are no better, such as a straight knee. Improvement
        is then coming nearer to it, from either side.
    lowest_mean, highest_mean : float
        Range of means of groups; a report questions those outside.
    limbs : tuple of str
        Limbs it is taken on: ``("involved", "uninvolved")`` or ``("none",)``.
    thresholds : tuple of Threshold
        Known thresholds, the preferred ones first.
    derived_from : tuple of str
        Measures it is computed from; empty for a stored one. A derived measure is never stored.
    decimals : int
        Decimals shown to readers; numbers themselves are not rounded.
    description : str
        How it is taken, sign conventions.
    mix_ups : tuple of MixUp
        Units it is often recorded in by mistake.

    Examples
    --------
    >>> from analysis.cohort.catalogue import load_catalogue
    >>> pain = load_catalogue()["pain"]
    >>> pain.unit, pain.direction, pain.threshold().value, pain.threshold().name
    ('points', 'lower is better', 2.0, 'minimal important change')
    """

    name: str
    label: str
    unit: str
    direction: Direction
    lowest: float = -math.inf
    highest: float = math.inf
    ideal: float | None = None
    lowest_mean: float = -math.inf
    highest_mean: float = math.inf
    limbs: tuple[str, ...] = ("none",)
    thresholds: tuple[Threshold, ...] = ()
    derived_from: tuple[str, ...] = ()
    decimals: int = 1
    description: str = ""
    mix_ups: tuple[MixUp, ...] = ()

    @property
    def derived(self) -> bool:
        """Whether the measure is computed from others."""
        return bool(self.derived_from)

    @property
    def is_yes_no(self) -> bool:
        """Whether its values say that something holds (1) or does not (0)."""
        return self.unit == YES_NO

    @property
    def sign(self) -> int:
        """Return 1 where a rise is an improvement, -1 where a fall is."""
        return 1 if self.direction == "higher is better" else -1

    @property
    def direction_in_words(self) -> str:
        """Which way improvement goes, and up to where.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> load_catalogue()["pain"].direction_in_words, load_catalogue()["knee_extension"].direction_in_words
        ('lower is better', 'higher is better, up to 0')
        """
        return self.direction if self.ideal is None else f"{self.direction}, up to {self.ideal:g}"

    @property
    def default_limb(self) -> str:
        """Limb that a question about the measure means when it names none."""
        return "involved" if "involved" in self.limbs else self.limbs[0]

    def label_on(self, limb: str) -> str:
        """Return the label with the limb, as headings and tables name it; without one where it is not taken on limbs.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> load_catalogue()["quadriceps_torque"].label_on("involved"), load_catalogue()["pain"].label_on("none")
        ('Quadriceps torque, involved limb', 'Pain')
        """
        return self.label if limb == "none" else f"{self.label}, {limb} limb"

    def limb_named(self, limb: str | None) -> str:
        """Return the limb named, or the default one; refuse a limb that the measure is not taken on."""
        if limb is not None and limb not in self.limbs:
            raise CohortError(
                f"The measure {self.name!r} is not taken on limb {limb!r}.",
                where=f"limbs of {self.name}: {', '.join(self.limbs)}",
                what_to_do="Name one of these, or none for the default.",
            )
        return self.default_limb if limb is None else limb

    def threshold(self, procedure: str | None = None) -> Threshold:
        """Return the default threshold: an accepted MIC where there is one, otherwise the MDC, named as such.

        Parameters
        ----------
        procedure : str, optional
            Prefer a threshold found after this procedure, where there is one.

        Returns
        -------
        Threshold
            The first accepted MIC, else the first accepted MDC.

        Raises
        ------
        CohortError
            The measure has no accepted threshold.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> load_catalogue()["knee_flexion"].threshold().kind
        'MDC'
        """
        accepted = [threshold for threshold in self.thresholds if threshold.accepted]
        for kind in get_args(ThresholdKind):
            of_kind = [threshold for threshold in accepted if threshold.kind == kind]
            matching = [threshold for threshold in of_kind if procedure and threshold.procedure == procedure]
            if of_kind:
                return (matching or of_kind)[0]
        raise CohortError(
            f"The measure {self.name!r} has no threshold of change.",
            where="measures of the cohort",
            what_to_do="Give a threshold yourself, or add one with its source to the measure in the map file.",
        )

    def in_words(self, threshold: Threshold) -> str:
        """Say a threshold in one line: size, whom it was found in and where, and whether it is never taken by itself.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> pain = load_catalogue()["pain"]
        >>> pain.in_words(pain.threshold()).startswith("MIC 2 points, ")
        True
        """
        found = [threshold.population, threshold.procedure, threshold.follow_up, threshold.method]
        marks = {"V": "read in the source", "M": "from memory of the source", "D": "own derivation or design choice"}
        read = f" ({marks[threshold.mark]})" if threshold.mark in marks else ""
        source = f"Source: {threshold.source}{read}" if threshold.source else ""
        note = threshold.note if threshold.accepted else f"Not taken by itself: {threshold.note}"
        parts = [
            f"{threshold.kind} {threshold.value:g} {self.unit}, {'; '.join(part for part in found if part)}",
            source,
            note,
        ]
        return ". ".join(part.rstrip(".") for part in parts if part) + "."

    @property
    def has_threshold(self) -> bool:
        """Whether :meth:`threshold` has one to give."""
        return any(threshold.accepted for threshold in self.thresholds)

    def smallest_threshold(self, kind: ThresholdKind) -> float | None:
        """Return the smallest accepted threshold of a kind, in the unit of the measure; None where there is none.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> load_catalogue()["knee_flexion"].smallest_threshold("MIC") is None
        True
        """
        return min((one.value for one in self.thresholds if one.kind == kind and one.accepted), default=None)

    def worth(self, values: Values) -> Values:
        """Give values on a scale on which more is better: what they are, or their negative where lower is better.

        A value beyond the best one is worth what lies as far from it on the other side, so that differences of worth are
        differences of distance from the best value.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> catalogue, values = load_catalogue(), np.array([-2.0, 9.5])
        >>> catalogue["knee_extension"].worth(values).tolist(), catalogue["pain"].worth(values).tolist()
        ([-2.0, -9.5], [2.0, -9.5])
        """
        towards: Values = self.sign * values + 0.0  # nothing is 0, not -0
        if self.ideal is None:
            return towards
        return towards - 2 * np.maximum(towards - self.sign * self.ideal, 0.0)

    def is_beyond_ideal(self, value: float) -> bool:
        """Return whether a value lies beyond the best one, where further in the better direction is no better.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> extension = load_catalogue()["knee_extension"]
        >>> extension.is_beyond_ideal(2.0), extension.is_beyond_ideal(-2.0), load_catalogue()["pain"].is_beyond_ideal(-1.0)
        (True, False, False)
        """
        return self.ideal is not None and self.sign * (value - self.ideal) > 0

    def _headline(self) -> str:
        return f"{self.label} ({self.name}), {self.unit}, {self.direction}, plausible from {self.lowest:g} to {self.highest:g}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        return {"thresholds": pd.DataFrame(self.thresholds)} if self.thresholds else {}

    def _shown_notes(self) -> list[str]:
        return [self.description] if self.description else []

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and dictionaries; an open end of the range is left out."""
        data: dict[str, Any] = {"label": self.label, "unit": self.unit, "direction": self.direction}
        ends = ("lowest", "highest", "lowest_mean", "highest_mean")
        data |= {end: value for end in ends if math.isfinite(value := getattr(self, end))}
        data |= {} if self.ideal is None else {"ideal": self.ideal}
        data |= {"limbs": list(self.limbs), "decimals": self.decimals, "description": self.description}
        if self.derived_from:
            data["derived_from"] = list(self.derived_from)
        data["thresholds"] = [asdict(threshold) for threshold in self.thresholds]
        data["mix_ups"] = [asdict(mix_up) for mix_up in self.mix_ups]
        return data


class Measures(Result, Mapping[str, Measure]):
    """Measures by name; read-only, in order.

    Parameters
    ----------
    measures : iterable of Measure
        The measures; a later one replaces an earlier one of the same name.
    """

    def __init__(self, measures: Iterator[Measure] | tuple[Measure, ...] | list[Measure]) -> None:
        self._by_name = {measure.name: measure for measure in measures}

    def __getitem__(self, name: str) -> Measure:
        try:
            return self._by_name[name]
        except KeyError:
            raise CohortError(
                f"There is no measure {name!r}.",
                where=f"measures known: {', '.join(self._by_name)}",
                what_to_do="Use one of these names, or add the measure in the map file.",
            ) from None

    def __contains__(self, name: object) -> bool:
        return name in self._by_name

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_name)

    def __len__(self) -> int:
        return len(self._by_name)

    def _headline(self) -> str:
        return f"{len(self)} measures: {', '.join(self)}"

    def _shown_tables(self) -> dict[str, pd.DataFrame]:
        rows = [(one.name, one.label, one.unit, one.direction, one.limbs) for one in self.values()]
        return {"measures": pd.DataFrame(rows, columns=["name", "label", "unit", "direction", "limbs"])}

    def _shown_notes(self) -> list[str]:
        return ['One measure with its thresholds: measures["pain"].']

    def to_text(self) -> str:
        """List the measures with units, limbs and thresholds, these with whom they were found in and where.

        Returns
        -------
        str
            Several lines a measure.

        Examples
        --------
        >>> from analysis.cohort.catalogue import load_catalogue
        >>> print(Measures([load_catalogue()["body_mass"]]).to_text())
        body_mass: Body mass, kg, plausible from 20 to 350; lower is better; limb none
          no threshold
        """
        lines = []
        for one in self.values():
            computed = f"; computed from {', '.join(one.derived_from)}, never stored" if one.derived else ""
            lines.append(
                f"{one.name}: {one.label}, {one.unit}, plausible from {one.lowest:g} to {one.highest:g}; {one.direction_in_words}; "
                f"limb {' or '.join(one.limbs)}{computed}"
            )
            lines += [f"  {one.in_words(threshold)}" for threshold in one.thresholds] or ["  no threshold"]
        return "\n".join(lines)

    def with_measures(self, *more: Measure) -> Measures:
        """Return these measures and more; one with a known name replaces the known one."""
        return Measures([*self._by_name.values(), *more])
