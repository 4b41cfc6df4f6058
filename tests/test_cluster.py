"""Sums over partitions, and the cluster that makes them: an extra that nothing else needs."""

import subprocess
import sys
from dataclasses import dataclass

import dask
import distributed  # first, so that its settings are there to be changed for a while
import pandas as pd
import pytest
from dask.dataframe import from_pandas

from analysis import open_cluster
from analysis.cluster import is_dask_frame, tree_sum
from analysis.errors import KneecurveError


def run(code):
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)


def test_the_kit_and_a_fit_load_no_dask():
    done = run(
        "import sys, pandas as pd, analysis\n"
        "visits = pd.DataFrame({'patient_id': [1, 1, 2, 2, 3, 3], 'week': [0, 6] * 3, 'value': [1.0, 2, 2, 4, 3, 8]})\n"
        "analysis.fit_mixed(analysis.visit_moments([visits[:2], visits[2:]], 'value ~ week'), 'value ~ week', patient_effects='1')\n"
        "print([name for name in sys.modules if name.split('.')[0] in ('dask', 'distributed')])"
    )
    assert done.stdout == "[]\n", done.stderr


def test_without_the_extra_an_error_says_which_one_to_install():
    done = run(
        "import sys\nsys.modules['distributed'] = None\nimport analysis\n"
        "try:\n    analysis.open_cluster()\nexcept analysis.KneecurveError as error:\n    print(error)"
    )
    assert done.stdout == (
        "A cluster needs the packages dask and distributed.\n"
        "  what to do: Install the kit with its extra cluster: pip install -e '.[cluster]' in its folder.\n"
    ), done.stderr


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense"])
def test_an_address_at_which_nobody_answers_is_said(address):
    assert distributed.__name__ in dask.config.config
    with (
        dask.config.set({"distributed.comm.timeouts.connect": "200ms"}),
        pytest.raises(KneecurveError, match=rf"No scheduler of a cluster answers\.\n *where: {address}\n"),
    ):
        open_cluster(address)
    assert dask.base.get_scheduler() is None  # once Dask went on to wait for that client


@dataclass(frozen=True)
class Shape:
    """The rows of a sum in their order, and how many sums lie above each other."""

    rows: tuple[int, ...]
    height: int = 0

    def __add__(self, other):
        return Shape(self.rows + other.rows, max(self.height, other.height) + 1)


@pytest.mark.parametrize("partitions", [1, 8, 100])
def test_sums_are_a_tree_in_the_order_of_the_partitions(partitions):
    frame = from_pandas(pd.DataFrame({"week": range(200)}), npartitions=partitions)
    with dask.config.set(scheduler="threads"):
        found = tree_sum(frame, lambda part, times: Shape(tuple(part["week"] * times)), 3)
    assert found.rows == tuple(range(0, 600, 3))
    assert found.height <= {1: 0, 8: 7, 100: 22}[partitions]  # one after the other there would be 99


def test_what_is_no_dask_frame_is_told():
    frame = from_pandas(pd.DataFrame({"week": [1, 2]}), npartitions=1)
    assert is_dask_frame(frame)
    assert not any(map(is_dask_frame, (frame["week"], pd.DataFrame(), "visits", [frame])))
