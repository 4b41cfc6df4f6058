"""The elements of a design: products of a week function and a column of u, scaled so that sums of them keep their digits."""

from __future__ import annotations

import numpy as np

from analysis.curves.covariances.residual_base import Array
from analysis.curves.formula.design import Design
from analysis.curves.formula.formula_columns import Column
from analysis.curves.rows.moments import VisitMoments

Groups = dict[str, list[int]]
"""By patient column: the places of the columns that multiply it."""

_EXPLAINED = 1e-10
"""Share of a sum of squares that, left unexplained by other columns, is rounding: nothing is left of that column."""
_DEPENDENT = 1e-9
"""A week function is explained by earlier ones where so little of its length is left; the QR keeps about 1e-15."""
_SPANNED = 1e-9
"""A basis spans a week function where the part outside is at most this share of its largest value."""
_NO_SHARE = 1e-6
"""A patient column that enters the constant with a smaller share than this cannot stand for it."""
_NOTHING_LEFT = 1e-13
"""Share of the outcome's sum of squares that, left by the fixed effects, is rounding: they explain it exactly."""
_ROUNDING = 1e-12
"""Directions of least squares with a smaller share of the largest than this are left out."""
_NOT_ZERO = 1e-300
"""Least sum of squares to divide by: what is divided is zero too, or its column is dropped."""


class Elements:
    """The elements of the columns kept, and the sums of their products.

    Parameters
    ----------
    design : Design
        The formula's columns.
    moments : VisitMoments
        The sums.
    keep : list of int
        Places of the columns kept.

    Attributes
    ----------
    F, B, T, offset, U_ee, U_ey, U_yy : ndarray
        As in ``WorkingBasis``, the outcome in its own unit.
    """

    def __init__(self, design: Design, moments: VisitMoments, keep: list[int]) -> None:
        self._moments = moments
        self._columns = [design.columns[place] for place in keep]
        self._at_weeks = design.at_weeks[:, keep]
        self._at_slots = _at_slots(self._at_weeks, moments)
        squares = np.einsum("saa->a", moments.products)
        self._spread = np.sqrt(np.maximum(squares, _NOT_ZERO) / moments.n_patients)
        groups = _by_patient_column(self._columns)
        self._groups, back = _with_constant(moments, groups, self._at_weeks, [column.term for column in self._columns])
        self._functions: list[Array] = []
        self._places: list[int] = []  # of each element's column in u
        self._owners: list[int] = []  # the column that each element belongs to
        self._constant_basis: Array | None = None
        self._weak: list[int] = []
        self.T = np.zeros((len(keep), len(keep)))
        # What is subtracted from a column of u is added again where the constant's columns cannot take it.
        self._restored = np.eye(moments.products.shape[1])
        for label in self._groups:
            self._add_patient_column(label)
        for number, column in enumerate(self._columns):
            if column.by_visit:
                self._add_visit_column(number)
        self.offset = self._outcome_offset()
        if back is not None:
            self.T = self.T @ back
        self.F = np.stack(self._functions, axis=2)
        self.B = _belonging(self._owners, len(keep))
        self._sum_products()

    def _add_patient_column(self, label: str) -> None:
        """Make the week functions that multiply one patient column orthogonal over the weeks, and of one size with it."""
        moments, members = self._moments, self._groups[label]
        place = moments.patient_labels.index(label)
        wanted = self._at_weeks[:, members]
        Q, R = _orthogonal(wanted)
        left = np.abs(np.diag(R))
        self._weak += [members[j] for j in range(len(members)) if left[j] <= _DEPENDENT * np.linalg.norm(R[:, j])]
        if label == "1":
            self._constant_basis = Q
        size = float(self._spread[place])
        shift = moments.patient_shifts[place]
        if shift != 0.0:
            constant = self._by_constant(wanted, before=members[0])
            if constant is None:
                self._restored[place, 0] += shift
                size = float(np.hypot(size, shift))
            else:
                self.T[np.ix_(self._groups["1"], members)] += shift * constant
        invertible = R + np.diag(np.where(left > 0.0, 0.0, 1.0))
        functions = self._at_slots[:, :, members] @ np.linalg.inv(invertible) / size
        self._functions.extend(np.moveaxis(functions, 2, 0))
        self._places += [place] * len(members)
        self._owners += members
        self.T[np.ix_(members, members)] = R * size

    def _add_visit_column(self, number: int) -> None:
        """Give a column that changes by visit an element for each slot, of mean square one together."""
        moments, function = self._moments, self._at_slots[:, :, number]
        places = _visit_places(moments, self._columns[number].label)
        own = moments.products[:, places.start : places.stop, places.start : places.stop]
        used = np.einsum("saa,sa->", own, np.broadcast_to(function**2, moments.seen.shape))
        size = float(np.sqrt(used / moments.n_visits)) or 1.0
        self._functions.extend(_slot_by_slot(function / size))
        self._places += places
        self._owners += [number] * moments.slots
        self.T[number, number] = size

    def _by_constant(self, wanted: Array, before: int) -> Array | None:
        """Write week functions in the basis of the constant's columns before a place; None where they do not span them."""
        if self._constant_basis is None:
            return None
        Q = np.where(np.array(self._groups["1"]) < before, self._constant_basis, 0.0)
        inside = Q.T @ wanted / wanted.shape[0]
        if np.abs(Q @ inside - wanted).max() > _SPANNED * np.abs(wanted).max():
            return None
        return inside

    def _outcome_offset(self) -> Array:
        """Give the constant's columns what was subtracted from the outcome, or add it to the outcome again."""
        offset = np.zeros(len(self._columns))
        shift = self._moments.outcome_shift
        constant = self._by_constant(np.ones((len(self._at_weeks), 1)), before=len(self._columns))
        if constant is None:
            self._restored[-self._moments.slots :, 0] += shift
        else:
            offset[self._groups["1"]] = shift * constant[:, 0]
        return offset

    def _sum_products(self) -> None:
        moments, products = self._moments, self._moments.products
        if not np.array_equal(self._restored, np.eye(len(self._restored))):
            products = self._restored @ products @ self._restored.T
        places, m = np.array(self._places), moments.slots
        mask = moments.seen.astype(np.float64)
        self.U_ee = products[:, places[:, None], places[None, :]]
        self.U_ey = products[:, places, -m:] * mask[:, None, :]
        self.U_yy = products[:, -m:, -m:] * mask[:, :, None] * mask[:, None, :]
        F = self.F * mask[:, :, None]
        self._squares = _squares(F, self.U_ee, self.B)
        self._with_outcome = self.B.T @ np.einsum("sae,sea->e", F, self.U_ey)

    def dependent(self) -> list[int]:
        """Find the columns that earlier ones explain, by a Cholesky decomposition in order."""
        if self._weak:
            return sorted(self._weak)
        left = _scaled(self._squares)[0]
        found = []
        for j in range(len(left)):
            if left[j, j] <= _EXPLAINED:
                found.append(j)
                continue
            row = left[j, j:] / left[j, j]
            left[j + 1 :, j + 1 :] -= np.outer(left[j, j + 1 :], row[1:])
        return found

    def residual_scale(self) -> float:
        """Give the residual standard deviation of least squares; zero where the columns explain the outcome exactly."""
        total = float(np.einsum("saa->", self.U_yy))
        left = total - float(self._with_outcome @ np.linalg.solve(self._squares, self._with_outcome))
        if left > _NOTHING_LEFT * total and total > 0.0:
            return float(np.sqrt(left / self._moments.n_visits))
        return 0.0


def dependence(design: Design, moments: VisitMoments, keep: list[int], dropped: list[int]) -> Array:
    """Write the dropped columns as combinations of the kept ones, shape (kept, dropped), by least squares over the visits."""
    if not dropped:
        return np.zeros((len(keep), 0))
    together, kept = keep + dropped, len(keep)
    functions: list[Array] = []
    places: list[int] = []
    owners: list[int] = []
    values = _at_slots(design.at_weeks[:, together], moments)
    for number, column in enumerate(design.columns[place] for place in together):
        if column.by_visit:
            own = _visit_places(moments, column.label)
            functions.extend(_slot_by_slot(values[:, :, number]))
        else:
            own = range(place := moments.patient_labels.index(column.label), place + 1)
            functions.append(values[:, :, number])
        places += own
        owners += [number] * len(own)
    raw = np.eye(moments.products.shape[1])
    raw[: moments.patient_shifts.size, 0] += moments.patient_shifts
    products = raw @ moments.products @ raw.T
    chosen = np.array(places)
    F = np.stack(functions, axis=2) * moments.seen[:, :, None]
    squares = _squares(F, products[:, chosen[:, None], chosen[None, :]], _belonging(owners, len(together)))
    alike, size = _scaled(squares)
    solution = np.linalg.lstsq(alike[:kept, :kept], alike[:kept, kept:], rcond=_ROUNDING)[0]
    return np.asarray(solution * size[kept:] / size[:kept, None])


def _at_slots(at_weeks: Array, moments: VisitMoments) -> Array:
    """Give week functions at the slots, shape (1 or patterns, slots, columns), from those at the distinct weeks."""
    return at_weeks[np.searchsorted(moments.distinct_weeks, moments.weeks)]


def _visit_places(moments: VisitMoments, label: str) -> range:
    """Give the places in u of a column that changes by visit, one a slot."""
    first = len(moments.patient_labels) + moments.visit_labels.index(label) * moments.slots
    return range(first, first + moments.slots)


def _slot_by_slot(function: Array) -> list[Array]:
    """Cut a week function, shape (1 or patterns, slots), into one for each slot that is zero at the others."""
    return list(np.moveaxis(function[:, :, None] * np.eye(function.shape[1]), 2, 0))


def _belonging(owners: list[int], columns: int) -> Array:
    """Give B: one where an element belongs to a column."""
    return np.equal.outer(np.array(owners), np.arange(columns)).astype(np.float64)


def _squares(F: Array, U_ee: Array, B: Array) -> Array:
    """Sum the products of the columns over all visits, from week functions that are zero where there was none."""
    return np.asarray(B.T @ ((F.transpose(0, 2, 1) @ F) * U_ee).sum(axis=0) @ B)


def _scaled(squares: Array) -> tuple[Array, Array]:
    """Divide sums of products by the columns' lengths; give those too."""
    size = np.sqrt(np.maximum(np.diag(squares), _NOT_ZERO))
    return squares / np.outer(size, size), size


def _by_patient_column(columns: list[Column]) -> Groups:
    groups: Groups = {}
    for number, column in enumerate(columns):
        if not column.by_visit:
            groups.setdefault(column.label, []).append(number)
    return groups


def _with_constant(
    moments: VisitMoments, groups: Groups, at_weeks: Array, terms: list[str]
) -> tuple[Groups, Array | None]:
    """Without an intercept, let the first of patient columns that add up to one (every protocol's) stand for the constant.

    Then the outcome and the covariates are centred as they are where there is an intercept. Gives the groups, in the
    order in which their bases are needed, and the formula's columns as combinations of the changed ones; None where there
    is an intercept or no such columns.
    """
    if any(np.ptp(at_weeks[:, column]) == 0.0 for column in groups.get("1", [])):
        return groups, None
    k = len(moments.patient_labels)
    raw = np.eye(k)
    raw[:, 0] += moments.patient_shifts
    squares = raw @ moments.products[:, :k, :k].sum(axis=0) @ raw.T
    for term in dict.fromkeys(terms):
        alike = [label for label, members in groups.items() if label != "1" and terms[members[0]] == term]
        if not alike or any(len(groups[label]) != len(groups[alike[0]]) for label in alike):
            continue
        places = [moments.patient_labels.index(label) for label in alike]
        shares = np.linalg.lstsq(squares[np.ix_(places, places)], squares[places, 0], rcond=_EXPLAINED)[0]
        left = squares[0, 0] - shares @ squares[places, 0]
        if abs(left) > _EXPLAINED * squares[0, 0] or abs(shares[0]) < _NO_SHARE:
            continue
        back = np.eye(at_weeks.shape[1])
        for place, column in enumerate(groups[alike[0]]):
            back[column, column] = 1.0 / shares[0]
            for label, share in zip(alike[1:], shares[1:], strict=True):
                back[groups[label][place], column] = -share / shares[0]
        constant = sorted([*groups[alike[0]], *groups.get("1", [])])
        others = {label: members for label, members in groups.items() if label not in {"1", alike[0]}}
        return {"1": constant, **others}, back
    return groups, None


def _orthogonal(columns: Array) -> tuple[Array, Array]:
    """Orthogonalise in order, with mean square one and a positive diagonal; a dependent column gets a zero diagonal."""
    count = columns.shape[0]
    size = np.linalg.norm(columns, axis=0)
    size[size == 0.0] = 1.0
    Q, R = np.linalg.qr(columns / size, mode="reduced" if count >= columns.shape[1] else "complete")
    if R.shape[0] < columns.shape[1]:
        R = np.concatenate([R, np.zeros((columns.shape[1] - R.shape[0], columns.shape[1]))])
        Q = np.concatenate([Q, np.zeros((count, columns.shape[1] - Q.shape[1]))], axis=1)
    sign = np.where(np.diag(R) < 0.0, -1.0, 1.0)
    return Q * sign * np.sqrt(count), R * sign[:, None] * size / np.sqrt(count)
