"""A reader of several releases who adds, subtracts and bounds: every count by period and site, for each state of the data.

Written apart from what protects the counts: it knows every single count by site and period as a variable, every number
that was shown, and that late data only add.
"""

import numpy as np
from scipy import sparse
from scipy.optimize import linprog


class Attacker:
    """Reads releases of states of the data, and bounds counts.

    ``states`` are arrays of shape (quantities, periods, sites), the later ones no smaller; ``sums`` are (total, parts) by name.
    """

    def __init__(self, quantities, periods, sites, states, sums):
        self.names, self.periods, self.sites, self.states = list(quantities), list(periods), list(sites), states
        self.size = len(self.names) * len(self.periods) * len(self.sites)
        self.rows, self.right, self.below = [], [], []
        for state in range(len(states)):
            for total, parts in sums:
                for p in self.periods:
                    for s in self.sites:
                        row = {self.at(state, total, p, s): 1.0}
                        row |= {self.at(state, part, p, s): -1.0 for part in parts}
                        self.rows.append(row)
                        self.right.append(0.0)
            if state:
                for i in range(self.size):
                    self.below.append({(state - 1) * self.size + i: 1.0, state * self.size + i: -1.0})

    def at(self, state, name, period, site):
        place = (self.names.index(name) * len(self.periods) + self.periods.index(period)) * len(self.sites)
        return state * self.size + place + self.sites.index(site)

    def row(self, state, name, periods, site):
        return {self.at(state, name, p, s): 1.0 for p in periods for s in ([site] if site else self.sites)}

    def value(self, row):
        whole = np.concatenate([state.ravel() for state in self.states])
        return sum(factor * whole[i] for i, factor in row.items())

    def read(self, state, release):
        for (periods, site), found in release.shown.items():
            for name, value in found.items():
                row = self.row(state, name, periods, site)
                assert self.value(row) == value
                self.rows.append(row)
                self.right.append(value)

    def most(self, row):
        """Give the largest value that a count can have."""
        n = self.size * len(self.states)
        aim = np.zeros(n)
        for i, factor in row.items():
            aim[i] = -factor
        found = linprog(
            aim, A_eq=_matrix(self.rows, n), b_eq=self.right, A_ub=_matrix([*self.below, row], n),
            b_ub=[*np.zeros(len(self.below)), 50.0], bounds=(0, None),
        )  # fmt: skip
        assert found.status == 0
        return -found.fun

    def told(self, places):
        """Give the small counts that are known to be small, and how many small ones there are: at the places, and of the change."""
        small = []
        for state in range(len(self.states)):
            for name, periods, site in places:
                rows = [self.row(state, name, periods, site)]
                if state:
                    rows.append(rows[0] | dict.fromkeys(self.row(state - 1, name, periods, site), -1.0))
                what = (state, name, periods, site)
                small += [(row, (*what, self.value(row), len(row))) for row in rows if 1 <= self.value(row) <= 10]
        left = self._without_open(small)
        return [what for row, what in left if self.most(row) < 11 - 1e-6], len(small)

    def _without_open(self, rows):
        """Leave out the counts that may be 11, as many at a time as may be so together."""
        n = self.size * len(self.states)
        while rows:
            width = n + len(rows)
            aim = np.concatenate([np.zeros(n), -np.ones(len(rows))])
            below = [
                {n + i: 1.0} | {place: -factor for place, factor in row.items()} for i, (row, _) in enumerate(rows)
            ]
            found = linprog(
                aim, A_eq=_matrix(self.rows, width), b_eq=self.right, A_ub=_matrix([*self.below, *below], width),
                b_ub=np.zeros(len(self.below) + len(below)), bounds=[(0, None)] * n + [(None, 11)] * len(rows),
            )  # fmt: skip
            assert found.status == 0
            left = [one for i, one in enumerate(rows) if found.x[n + i] < 11 - 1e-6]
            if len(left) == len(rows):
                return rows
            rows = left
        return rows


def _matrix(rows, n):
    if not rows:
        return None
    at = [i for i, row in enumerate(rows) for _ in row]
    columns = [i for row in rows for i in row]
    return sparse.csr_array(([f for row in rows for f in row.values()], (at, columns)), shape=(len(rows), n))
