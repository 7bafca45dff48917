"""Workers of a Dask cluster, local or remote."""

from __future__ import annotations

import contextlib
import importlib
import logging
import re
from collections.abc import Iterator
from typing import Any, Final

from lostlink.campaigns.workers import Workers, WorkersError, interrupts_blocked
from lostlink.children import MOST_PROCESSES, safe_path


@contextlib.contextmanager
def cluster(address: str) -> Iterator[Workers]:
    """Use the workers of a Dask cluster while the context is open.

    A scheduler and its workers run any code that they receive: use one on your own network only.

    Parameters
    ----------
    address : str
        Of a scheduler, such as ``tcp://192.168.1.20:8786``; or ``local:2`` for two workers on this computer.

    Raises
    ------
    WorkersError
        If Dask is not installed, the scheduler does not respond, or the workers have another version of this tool.
    """
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise WorkersError(
            "--cluster: the package 'distributed' is not installed; install it with pip install 'lostlink[cluster]'"
        ) from None
    with contextlib.ExitStack() as stack:
        stack.enter_context(safe_path())  # to the end: a worker that died is started again
        with interrupts_blocked():  # inherited by the loop's thread and by all workers
            open_client = _local if address.startswith("local:") else _remote
            client = stack.enter_context(open_client(distributed, address))
        count = _check_workers(client, address)
        yield Workers(
            f"{count} on {address}",
            count,
            lambda: client.get_executor(pure=False),  # pure would answer equal jobs from a cache
            lambda: client.status == "running",  # jobs submitted during a reconnect are lost
        )


_CONNECT_S: Final = 5
_CLUSTER_ALLOWED: Final = "allowed: a scheduler, such as tcp://192.168.1.20:8786, or local:2"


@contextlib.contextmanager
def _local(distributed: Any, address: str) -> Iterator[Any]:
    """Start workers on this computer and yield a client."""
    text = address.removeprefix("local:")
    count = int(text) if text.isascii() and text.isdecimal() and len(text) <= 3 else 0
    if not 1 <= count <= MOST_PROCESSES:
        raise WorkersError(f"--cluster: {address[:60]!r}; allowed: local:1 to local:{MOST_PROCESSES}")
    with (
        distributed.LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            memory_limit=0,
            silence_logs=logging.CRITICAL,
        ) as local,
        distributed.Client(local, set_as_default=False) as client,
    ):
        yield client


@contextlib.contextmanager
def _remote(distributed: Any, address: str) -> Iterator[Any]:
    """Yield a client of a running scheduler."""
    import asyncio

    async def greet() -> None:
        """Check that a scheduler answers; the client itself reports its absence only much later."""
        comm = await asyncio.wait_for(distributed.comm.connect(address, timeout=_CONNECT_S), _CONNECT_S + 1)
        await comm.close()

    if re.fullmatch(r"(?:(?:tcp|tls)://)?[^\s/]+:[0-9]{1,5}", address) is None:
        raise WorkersError(f"--cluster: {address[:60]!r} is not an address; {_CLUSTER_ALLOWED}")
    try:
        asyncio.run(greet())
    except (OSError, ValueError):
        raise WorkersError(f"--cluster: no scheduler answers at {address[:60]!r}; {_CLUSTER_ALLOWED}") from None
    with distributed.Client(address, timeout=_CONNECT_S, set_as_default=False) as client:
        yield client


def _check_workers(client: Any, address: str) -> int:
    """Return the number of jobs that run at a time, after a check of the version on every worker."""
    import lostlink

    threads: dict[str, int] = client.nthreads()
    if not threads:
        raise WorkersError(f"--cluster: {address[:60]!r} has no workers; start some with 'dask worker'")
    for worker, version in client.run(_version, on_error="return").items():
        if version != lostlink.__version__:
            has = version if isinstance(version, str) else "none"
            raise WorkersError(
                f"--cluster: worker {worker} has lostlink {has}; install {lostlink.__version__}, as here"
            )
    return sum(threads.values())


def _version() -> str:
    import lostlink

    return lostlink.__version__
