"""Sums over the partitions of a Dask data frame, on whatever cluster it runs; nothing here is loaded before it is asked for."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import reduce
from operator import add
from typing import TYPE_CHECKING, Protocol, Self, TypeVar

from analysis.errors import KneecurveError
from analysis.progress import steps

if TYPE_CHECKING:
    import pandas as pd
    from dask.dataframe import DataFrame as DaskFrame
    from distributed import Client
    from typing_extensions import TypeIs

__all__ = ["open_cluster"]


def open_cluster(address: str = "", *, workers: int = 2) -> Client:
    """Connect to a Dask cluster, or start one on this machine; work on Dask data frames is done there from then on.

    Parameters
    ----------
    address : str
        Address of a running scheduler, such as ``"tcp://10.0.0.5:8786"``; empty to start a cluster here, reached from this machine
        only, which ends with the client. Scheduler and workers need kneecurve in the same version.
    workers : int
        Processes of a cluster started here.

    Returns
    -------
    distributed.Client
        The client; in a ``with`` statement, or by ``close``, it ends. Where a cluster asks for more (certificates, a job queue),
        make a client of Dask's own: it counts as well.

    Raises
    ------
    KneecurveError
        Dask is not installed, or no scheduler answers at the address.

    Examples
    --------
    >>> with open_cluster(workers=1) as client:
    ...     len(client.scheduler_info()["workers"])
    1
    """
    try:
        from distributed import Client
    except ImportError as error:
        raise KneecurveError(
            "A cluster needs the packages dask and distributed.",
            what_to_do="Install the kit with its extra cluster: pip install -e '.[cluster]' in its folder.",
        ) from error
    if not address:
        with steps("Starting a cluster"):
            return Client(n_workers=workers, threads_per_worker=1, dashboard_address="127.0.0.1:0")  # type: ignore[no-untyped-call]
    try:
        with steps("Connecting to the cluster"):
            with Client(address, set_as_default=False):  # type: ignore[no-untyped-call]
                pass  # one that finds nobody would stay the one that Dask asks
            return Client(address)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise KneecurveError(
            "No scheduler of a cluster answers.",
            where=address,
            what_to_do="Start it with dask scheduler, and give the address that it says, such as tcp://10.0.0.5:8786.",
        ) from error


class Summary(Protocol):
    """What adds up: the sum of two is the summary of both parts, and it does not matter which sums are made first."""

    def __add__(self, other: Self, /) -> Self: ...


Sum = TypeVar("Sum", bound=Summary)


def is_dask_frame(data: object) -> TypeIs[DaskFrame]:
    """Tell whether these are the rows of a Dask data frame, without loading Dask: who has one has loaded it."""
    frames = sys.modules.get("dask.dataframe")
    return frames is not None and isinstance(data, frames.DataFrame)


def tree_sum(frame: DaskFrame, summary: Callable[..., Sum], *shared: object) -> Sum:
    """Sum the summaries of all partitions, those of each made where it lies; Dask adds them up as a tree, in their order.

    Parameters
    ----------
    frame : Dask DataFrame
        The rows.
    summary : callable
        Gives the summary of one partition, which may be empty; a function that the workers can load.
    shared
        What it takes beside the partition: sent once, not with each partition.

    Returns
    -------
    Summary
        The sum, made by the cluster of the last client, or by threads of this process where there is none.

    Raises
    ------
    KneecurveError
        As ``summary`` and the sums raise it.

    Examples
    --------
    >>> import pandas as pd
    >>> from dask.dataframe import from_pandas
    >>> tree_sum(from_pandas(pd.DataFrame({"week": range(100)}), npartitions=9), len)
    100
    """
    from dask.delayed import delayed

    parts = frame.to_bag(format="frame").map_partitions(  # type: ignore[no-untyped-call]  # Dask has few types
        _alone, summary, delayed(shared, traverse=False)
    )
    # graphs of bags are not optimised: that would hide from Dask's shuffle which of the tasks are its own
    total: Sum = parts.reduction(_added, _added).to_delayed(optimize_graph=False).compute()
    return total


def _alone(part: pd.DataFrame, summary: Callable[..., Sum], shared: tuple[object, ...]) -> list[Sum]:
    return [summary(part, *shared)]


def _added(summaries: list[Sum]) -> Sum:
    return reduce(add, summaries)
