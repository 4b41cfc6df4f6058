"""Counts of one quarter at a site inside a block: the most that each can be, against a reader who knows every cell."""

import numpy as np
import pytest
from scipy.optimize import linprog

from analysis.quarter.ledger import single_quarters as module
from analysis.quarter.ledger.openness import matrix_of
from analysis.quarter.ledger.system import JoinedReleases

from .attacker import Attacker
from .test_sequences import ONE, attacked, counts_of, names_of, sequence, sums_of


@pytest.mark.parametrize("seed", [1, 2, 3, 7, 12])
def test_the_most_of_every_cell_is_that_of_all_cells(seed, monkeypatch):
    """Two releases of one state of the data: no constraint is lost by what is left out."""
    attacker, _, releases = sequence(seed, n_releases=1)
    periods, sites, states = attacker.periods, attacker.sites, attacker.states
    counts = counts_of(periods, sites, states[-1], "2030-01-01")
    system = JoinedReleases(counts, [], releases)
    monkeypatch.setattr(module, "OPEN", np.inf)
    inside = list(system.inside())
    single = module.SingleQuarters(system)
    single.see(system.point)
    found = single.not_open()
    equal, right = matrix_of([*system.equal, *system.known], system.n)
    below, limit = matrix_of(system.at_most, system.n)
    cells = [(name, (period,), site) for name in sorted(system.sited) for period, _, site in inside]
    cells = [one for one in cells if 1 <= system.true(one[0], one[1:]) <= 10]
    assert len(cells) == len(found) > 0
    alone = Attacker(names_of(ONE), periods, sites, states[:1], sums_of(ONE))
    alone.read(0, releases[0])
    for (row, none), (name, period, site) in zip(found, cells, strict=True):
        aim = np.zeros(system.n)
        aim[list(row)] = -1.0
        limited = linprog(aim, A_eq=equal, b_eq=right, A_ub=below, b_ub=limit, bounds=(0, 400))
        known = alone.most(alone.row(0, name, period, site))
        assert not none
        assert min(-limited.fun, 50.0) == pytest.approx(known, abs=1e-6)


def test_what_neither_the_quarter_nor_the_site_tells_is_not_told_by_both():
    """Sequences of which a site's count of one quarter was told, by a quarter and a block each of which could be 11."""
    told, n = attacked([451, 483, 486])
    assert n > 100
    assert told == []


def test_what_no_count_shown_contradicts_is_taken_to_have_only_grown():
    """No count of those who did not get better follows from the second release; still, late data only add to them."""
    told, n = attacked([422])
    assert n > 100
    assert told == []


def test_what_came_since_a_release_before_the_last_one_stays_open():
    """The release between reports an earlier quarter, so that it knows nothing of the last one."""
    told, n = attacked([2084], n_releases=4)
    assert n > 100
    assert told == []
