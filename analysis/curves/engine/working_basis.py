"""From moments and a design to well-scaled arrays for the likelihood, and the exact way back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analysis.curves.covariances.residual_base import Array
from analysis.curves.formula.design import Design
from analysis.curves.rows.moments import VisitMoments
from analysis.errors import ModelError

_TOLERANCE = 1e-10
"""Share of a column's sum of squares that earlier columns must leave unexplained for it to be kept."""


@dataclass(frozen=True, eq=False)
class WorkingBasis:
    """The model's sums in a basis that keeps the digits.

    An element is a week function times one column of u; the working columns are X = elements @ B. Within
    the columns that multiply the same patient column, the week functions are made orthogonal over the distinct weeks
    (QR, so that order is kept) and the outcome is divided by the residual standard deviation of least squares. With T
    (upper triangular in blocks) the formula's own columns are X T, so that b = T^-1 b_working, exactly.

    Parameters
    ----------
    names : list of str
        The columns kept.
    dropped : dict of str to str
        The columns dropped, and what explains them.
    dependence : ndarray, shape (kept, dropped)
        The dropped columns as combinations of the kept ones.
    kept : ndarray of int
        Places of the kept columns in the formula's.
    F : ndarray, shape (1 or patterns, slots, elements)
        Week functions.
    B : ndarray, shape (elements, columns)
        Elements to working columns.
    U_ee, U_ey, U_yy : ndarray
        Sums of products of the elements' columns of u and the outcome, by pattern.
    T : ndarray, shape (columns, columns)
        Working columns to the formula's columns.
    offset : ndarray, shape (columns,)
        Working coefficients of what was subtracted from the outcome.
    scale : float
        The outcome's unit.
    counts : ndarray, shape (patterns,)
        Patients.
    seen : ndarray of bool, shape (patterns, slots)
        The slots of each pattern.
    """

    names: list[str]
    dropped: list[str]
    dependence: Array
    kept: np.ndarray
    F: Array
    B: Array
    U_ee: Array
    U_ey: Array
    U_yy: Array
    T: Array
    offset: Array
    scale: float
    counts: Array
    seen: np.ndarray

    @property
    def n_rows(self) -> int:
        """The number of visits."""
        return int((self.counts * self.seen.sum(axis=1)).sum())

    @property
    def log_scale(self) -> float:
        """The log determinant of T, for the restricted likelihood."""
        return float(np.linalg.slogdet(self.T)[1])


def working_basis(design: Design, moments: VisitMoments) -> WorkingBasis:
    """Build the working arrays; drop the columns that earlier ones explain.

    Parameters
    ----------
    design : Design
        The formula's columns.
    moments : VisitMoments
        The sums.

    Returns
    -------
    WorkingBasis

    Raises
    ------
    ModelError
        Where the outcome is constant, or the columns leave nothing of it.
    """
    p = len(design.columns)
    keep = list(range(p))
    dropped: list[int] = []
    while True:
        elements = _Elements(design, moments, keep)
        dependent = elements.dependent()
        if not dependent:
            break
        dropped += [keep[k] for k in dependent]
        keep = [k for number, k in enumerate(keep) if number not in dependent]
        if not keep:
            raise ModelError(
                "No column of the fixed effects can be estimated.",
                where=f"formula {design.formula}",
                what_to_do="Write at least an intercept: 'value ~ 1'.",
            )
    scale = elements.residual_scale()
    unit = scale or 1.0  # a scale of zero is refused by check_outcome
    return WorkingBasis(
        names=[design.names[k] for k in keep],
        dropped=[design.names[k] for k in sorted(dropped)],
        dependence=_dependence(design, moments, keep, sorted(dropped)),
        kept=np.array(keep),
        F=elements.F,
        B=elements.B,
        U_ee=elements.U_ee,
        U_ey=elements.U_ey / unit,
        U_yy=elements.U_yy / unit**2,
        T=elements.T,
        offset=elements.offset / unit,
        scale=scale,
        counts=moments.counts,
        seen=moments.seen,
    )


class _Elements:
    """The elements of the columns kept."""

    def __init__(self, design: Design, moments: VisitMoments, keep: list[int]) -> None:
        columns = [design.columns[k] for k in keep]
        k, r, m = len(moments.patient_labels), len(moments.visit_labels), moments.slots
        at_weeks = design.week_columns(moments.distinct_weeks)[:, keep]
        at_slots = design.week_columns(moments.weeks)[:, keep].reshape(*moments.weeks.shape, len(keep))
        patient_sum = moments.products[:, :k, :k].sum(axis=0)
        spread = np.sqrt(np.maximum(np.diag(patient_sum), 1e-300) / moments.n_patients)
        groups: dict[str, list[int]] = {}
        for number, column in enumerate(columns):
            if not column.by_visit:
                groups.setdefault(column.label, []).append(number)
        way = _sum_to_one(moments, groups, at_weeks, [column.term for column in columns])
        F: list[Array] = []
        selected: list[int] = []
        B = np.zeros((0, len(keep)))
        T = np.zeros((len(keep), len(keep)))
        change = np.eye(k + (r + 1) * m)
        bases: dict[str, tuple[Array, Array]] = {}
        self.weak: list[int] = []
        for label, members in groups.items():
            g = moments.patient_labels.index(label)
            Q, R = _orthogonal(at_weeks[:, members])
            self.weak += [members[j] for j in range(len(members)) if abs(R[j, j]) <= 1e-9 * np.linalg.norm(R[:, j])]
            bases[label] = (Q, R)
            safe = R + np.diag(np.where(np.abs(np.diag(R)) > 0.0, 0.0, 1.0))
            size = spread[g] if spread[g] > 0.0 else 1.0
            shift = moments.patient_shifts[g]
            if shift != 0.0:
                inside = self._inside(groups, bases, members, at_weeks[:, members])
                if inside is None:
                    change[g, 0] += shift
                    size = float(np.hypot(size, shift))
                else:
                    T[np.ix_(groups["1"], members)] += shift * inside
            F.extend(np.moveaxis(at_slots[:, :, members] @ np.linalg.inv(safe) / size, 2, 0))
            selected += [g] * len(members)
            rows = np.zeros((len(members), len(keep)))
            rows[np.arange(len(members)), members] = 1.0
            B = np.concatenate([B, rows])
            T[np.ix_(members, members)] = R * size
        for number, column in enumerate(columns):
            if column.by_visit:
                first = k + moments.visit_labels.index(column.label) * m
                own = moments.products[:, first : first + m, first : first + m]
                used = np.einsum("saa,sa->", own, np.broadcast_to(at_slots[:, :, number] ** 2, moments.seen.shape))
                size = float(np.sqrt(used / moments.n_visits)) or 1.0
                for slot in range(m):
                    one = np.zeros(at_slots.shape[:2])
                    one[:, slot] = at_slots[:, slot, number] / size
                    F.append(one)
                    selected.append(first + slot)
                rows = np.zeros((m, len(keep)))
                rows[:, number] = 1.0
                B = np.concatenate([B, rows])
                T[number, number] = size
        self.offset = np.zeros(len(keep))
        constant = self._inside(groups, bases, [], np.ones((at_weeks.shape[0], 1)))
        if constant is not None:
            self.offset[groups["1"]] = moments.outcome_shift * constant[:, 0]
        products = moments.products
        first_y = k + r * m
        if constant is None:
            change[first_y:, 0] += moments.outcome_shift
        if constant is None or np.any(change[:k] != np.eye(k, change.shape[1])):
            products = change @ products @ change.T
        self.F = np.stack(F, axis=2)
        self.B, self.T = B, T if way is None else T @ way
        chosen = np.array(selected)
        mask = moments.seen.astype(np.float64)
        self.U_ee = products[:, chosen[:, None], chosen[None, :]]
        self.U_ey = products[:, chosen, first_y:] * mask[:, None, :]
        self.U_yy = products[:, first_y:, first_y:] * mask[:, :, None] * mask[:, None, :]
        self.mask = mask
        self.n_visits = moments.n_visits
        self.gram, self.xy = self._least_squares()

    @staticmethod
    def _inside(
        groups: dict[str, list[int]], bases: dict[str, tuple[Array, Array]], members: list[int], wanted: Array
    ) -> Array | None:
        """Write week functions in the basis of the columns without a covariate, if those come first and span them."""
        if "1" not in bases or (
            members and groups["1"][-1] > members[0] and not set(groups["1"]) < set(range(members[0]))
        ):
            own = [column for column in groups.get("1", []) if not members or column < members[0]]
            if "1" not in bases or not own:
                return None
        Q = bases["1"][0]
        usable = np.array([not members or column < members[0] for column in groups["1"]])
        Q = np.where(usable, Q, 0.0)
        inside = Q.T @ wanted / wanted.shape[0]
        if np.abs(Q @ inside - wanted).max() > 1e-9 * np.abs(wanted).max():
            return None
        return inside

    def _least_squares(self) -> tuple[Array, Array]:
        F = self.F * self.mask[:, :, None]
        gram = ((F.transpose(0, 2, 1) @ F) * self.U_ee).sum(axis=0)
        xy = np.einsum("sae,sea->e", F, self.U_ey)
        return self.B.T @ gram @ self.B, self.B.T @ xy

    def dependent(self) -> list[int]:
        """Find the columns that earlier ones explain, by a Cholesky decomposition in order."""
        if self.weak:
            return sorted(self.weak)
        size = np.sqrt(np.maximum(np.diag(self.gram), 1e-300))
        left = self.gram / np.outer(size, size)
        found = []
        for j in range(len(left)):
            if left[j, j] <= _TOLERANCE:
                found.append(j)
                continue
            row = left[j, j:] / left[j, j]
            left[j + 1 :, j + 1 :] -= np.outer(left[j, j + 1 :], row[1:])
        return found

    def residual_scale(self) -> float:
        """Give the residual standard deviation of least squares."""
        total = float(np.einsum("saa->", self.U_yy))
        left = total - float(self.xy @ np.linalg.solve(self.gram, self.xy))
        return float(np.sqrt(left / self.n_visits)) if left > 1e-13 * total and total > 0.0 else 0.0


def _sum_to_one(moments: VisitMoments, groups: dict[str, list[int]], at_weeks: Array, terms: list[str]) -> Array | None:
    """Without an intercept, let the first of patient columns that add up to one (every protocol's) stand for the constant.

    Then the outcome and the covariates are centred as they are where there is an intercept. Changes ``groups``; gives the
    formula's columns as combinations of the changed ones, or None where there is an intercept or no such columns.
    """
    if any(np.ptp(at_weeks[:, column]) == 0.0 for column in groups.get("1", [])):
        return None
    k = len(moments.patient_labels)
    raw = np.eye(k)
    raw[:, 0] += moments.patient_shifts
    gram = raw @ moments.products[:, :k, :k].sum(axis=0) @ raw.T
    for term in dict.fromkeys(terms):
        alike = [label for label, members in groups.items() if label != "1" and terms[members[0]] == term]
        if not alike or any(len(groups[label]) != len(groups[alike[0]]) for label in alike):
            continue
        places = [moments.patient_labels.index(label) for label in alike]
        shares = np.linalg.lstsq(gram[np.ix_(places, places)], gram[places, 0], rcond=1e-10)[0]
        left = gram[0, 0] - shares @ gram[places, 0]
        if abs(left) > 1e-10 * gram[0, 0] or abs(shares[0]) < 1e-6:
            continue
        way = np.eye(at_weeks.shape[1])
        for place, column in enumerate(groups[alike[0]]):
            way[column, column] = 1.0 / shares[0]
            for label, share in zip(alike[1:], shares[1:], strict=True):
                way[groups[label][place], column] = -share / shares[0]
        constant = sorted([*groups.pop(alike[0]), *groups.pop("1", [])])
        others = dict(groups)
        groups.clear()
        groups.update({"1": constant, **others})  # in the order in which the bases are needed
        return way
    return None


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


def _dependence(design: Design, moments: VisitMoments, keep: list[int], dropped: list[int]) -> Array:
    """Write the dropped columns as combinations of the kept ones, by least squares over the visits."""
    if not dropped:
        return np.zeros((len(keep), 0))
    together = keep + dropped
    k, m = len(moments.patient_labels), moments.slots
    at_slots = design.week_columns(moments.weeks)[:, together].reshape(*moments.weeks.shape, len(together))
    change = np.eye(k, moments.products.shape[1])
    change[:, 0] += moments.patient_shifts
    full = np.concatenate([change, np.eye(moments.products.shape[1])[k:]])
    products = full @ moments.products @ full.T
    F: list[Array] = []
    chosen: list[int] = []
    owner: list[int] = []
    for number, column in enumerate(design.columns[j] for j in together):
        if column.by_visit:
            first = k + moments.visit_labels.index(column.label) * m
            for slot in range(m):
                one = np.zeros(at_slots.shape[:2])
                one[:, slot] = at_slots[:, slot, number]
                F.append(one)
                chosen.append(first + slot)
                owner.append(number)
        else:
            F.append(at_slots[:, :, number])
            chosen.append(moments.patient_labels.index(column.label))
            owner.append(number)
    W = np.stack(F, axis=2) * moments.seen[:, :, None]
    gram = ((W.transpose(0, 2, 1) @ W) * products[:, np.array(chosen)[:, None], np.array(chosen)[None, :]]).sum(axis=0)
    B = np.equal.outer(np.array(owner), np.arange(len(together))).astype(np.float64)
    gram = B.T @ gram @ B
    size = np.sqrt(np.maximum(np.diag(gram), 1e-300))
    scaled = gram / np.outer(size, size)
    count = len(keep)
    solution = np.linalg.lstsq(scaled[:count, :count], scaled[:count, count:], rcond=1e-12)[0]
    return solution * size[count:] / size[:count, None]
