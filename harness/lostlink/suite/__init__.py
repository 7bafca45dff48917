"""The acceptance suite: a pytest test for each requirement of the catalogue.

Runs through ``lostlink prove`` or as ``pytest --pyargs lostlink.suite``. Each test is a scenario, a run, a measurement
and a limit, over many phases of the clocks. ``run`` is the runner, ``judge`` the judge, ``session`` what the runner and
the pytest plugin share, ``explanations`` the texts of ``lostlink explain``.
"""

__all__ = ["explanations", "flying", "judge", "run", "session"]
