"""The two sizes of this suite: the gate, and ``--long`` with every number in full; long tests begin first."""

from __future__ import annotations

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
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests marked slow first, so that no worker begins one when the others are done."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
