"""Allocation favours no protocol, and patients have ids of one length."""

import numpy as np

from synthetic_cohort.patients.patients import allocate, patient_ids


def test_last_blocks_favour_no_protocol():
    """One patient a site: each protocol as likely as another (3,000 sites, 5 standard errors)."""
    protocols = allocate(np.arange(3_000), 3, np.random.default_rng(2))
    share = np.bincount(protocols, minlength=3) / 3_000
    assert np.abs(share - 1 / 3).max() < 5 * np.sqrt(2 / 9 / 3_000)


def test_ids_have_one_length():
    assert patient_ids(3).to_list() == ["p0001", "p0002", "p0003"]
    assert set(patient_ids(12_345).str.len()) == {6}
