"""The pages of a batch on a Dask cluster: files on storage that all its machines see."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Iterator, Sequence
from typing import Any

from inkclean import __version__
from inkclean.base.errors import InputError, UsageError
from inkclean.jobs.batch import Outcome, Task, lost, run

# Seconds until a scheduler must have answered, and until a worker must have come.
_PATIENCE_S = 15
_AHEAD = 4  # pages a worker thread, handed over ahead of the one that is waited for
_LEAST_AHEAD = 32  # pages handed over ahead at least


def clean_on_cluster(tasks: Sequence[Task], address: str) -> Iterator[Outcome]:
    """Clean the files on the cluster and yield their outcomes in the order of ``tasks``.

    A page whose worker dies goes to another one; it finds what the first has finished. One
    that takes several workers with it is given up as lost.

    Raises:
        UsageError: Dask is not installed, or the workers run another version.
        InputError: no scheduler or no worker answers, or the cluster goes away.
    """
    with _connected(address) as client:
        width = max(_LEAST_AHEAD, _AHEAD * sum(client.nthreads().values()))
        futures: deque[Any] = deque()
        try:
            for number, task in enumerate(tasks):
                while len(futures) < width and number + len(futures) < len(tasks):
                    ahead = tasks[number + len(futures)]
                    futures.append(client.submit(run, ahead, pure=False))
                yield _result(futures.popleft(), task, address)
        finally:
            client.cancel(list(futures), force=True)


def _result(future: Any, task: Task, address: str) -> Outcome:
    from distributed import KilledWorker

    try:
        outcome = future.result()
    except KilledWorker:
        return lost(task)
    except Exception as error:  # a task never raises: this is the cluster itself
        raise InputError(
            f"{address}: the cluster is gone ({type(error).__name__}); start it again, then run "
            "the same command again to resume"
        ) from error
    if not isinstance(outcome, Outcome):
        raise InputError(f"{address}: the cluster gave an unknown answer; restart it")
    return outcome


def _connected(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as error:
        raise UsageError(
            "--cluster needs more packages: run pip install 'inkclean[cluster]'"
        ) from error
    # its lines about workers that come and go are no messages of this program
    for name in ("distributed", "distributed.client", "distributed.core", "distributed.comm"):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        connect: Any = Client
        client: Any = connect(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError, ImportError) as error:
        raise InputError(
            f"{address}: no Dask scheduler answers there; check the address"
        ) from error
    try:
        client.wait_for_workers(1, timeout=_PATIENCE_S)
        versions = set(client.run(_version).values())
    except TimeoutError as error:
        client.close()
        raise InputError(f"{address}: the cluster has no workers; start some") from error
    except Exception as error:  # whatever a worker without this package answers
        client.close()
        raise UsageError(
            f"{address}: the workers cannot run inkclean ({type(error).__name__}): "
            "install it on their machines"
        ) from error
    if versions != {__version__}:
        client.close()
        others = ", ".join(sorted(versions - {__version__}))
        raise UsageError(f"{address}: workers run inkclean {others}, this is {__version__}")
    return client


def _version() -> str:
    return __version__
