"""The two sizes of this suite: the gate, and ``--long`` with every number in full; long tests begin first."""

from __future__ import annotations

import gc
import signal

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--long", action="store_true", help="full numbers: all seeds of false alarms, the whole suite over each mistake"
    )


def pytest_configure() -> None:
    """Let the programs that tests start receive signals that a shell ignores for its background jobs.

    A handler that does nothing keeps them away from this process, and a program that it starts has the default again.
    """
    for number in (signal.SIGINT, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, lambda *_: None)


@pytest.fixture(scope="session")
def long(request: pytest.FixtureRequest) -> bool:
    """Return whether the full numbers are wanted."""
    return bool(request.config.getoption("--long"))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave tests marked long to ``--long``; put those marked slow first, so that no worker begins one late."""
    if not config.getoption("--long"):
        config.hook.pytest_deselected(items=[item for item in items if item.get_closest_marker("long")])
        items[:] = [item for item in items if not item.get_closest_marker("long")]
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)


def pytest_collection_finish() -> None:
    """Keep the garbage collector from looking through thousands of collected tests each time."""
    gc.collect()
    gc.freeze()
