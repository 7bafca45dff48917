"""Tells for a receiver that fails with the packets of a handset under test which of the two is the cause.

The failed tests are repeated with the simulated handset, and only these, so that nothing is spent where all is met.
Where a repeat shows nothing (it is inconclusive, or cannot run), nothing is said.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Final

from lostlink.errors import LostlinkError, ReceiverCrashError
from lostlink.evidence.exports import save_run
from lostlink.evidence.run_writer import file_name
from lostlink.profiles import read_scenario
from lostlink.requirements import CATALOGUE
from lostlink.results import Result
from lostlink.rigs import Rig
from lostlink.suite.run import Progress, run_suite
from lostlink.verdicts import Outcome, Side, Verdict
from lostlink_sims import Profile

OF_PACKETS: Final = "met with the simulated handset: the cause is in the handset's packets"
OF_RECEIVER: Final = "not met with the simulated handset either"
_SAID: Final = {Outcome.MET: OF_PACKETS, Outcome.NOT_MET: OF_RECEIVER}
BESIDE: Final = ".simulated-handset"
"""What the name of a run with the simulated handset has after the id of the requirement."""
_FEW: Final = 3
"""So few tests are repeated in one process."""


def tell_cause(
    result: Result,
    profile: Profile,
    opens: Callable[[], Rig],
    *,
    seed: int,
    evidence: Path | None = None,
    evidence_name: str | None = None,
    progress: Progress | None = None,
    jobs: int = 1,
) -> None:
    """Add to each failed requirement on the receiver whether it is met with the simulated handset.

    Parameters
    ----------
    result : Result
        Of handset and receiver together; its verdicts and findings are completed.
    opens : callable
        Returns a rig with the same receiver and the simulated handset.
    evidence, evidence_name : Path, str, optional
        Folder of the evidence and its final path. The scenario of each failed run is also run with the simulated
        handset, and that run kept beside it.
    """
    failed = [verdict for verdict in result.with_outcome(Outcome.NOT_MET) if verdict.requirement.id in CATALOGUE]
    failed = [verdict for verdict in failed if verdict.requirement.side is Side.RECEIVER]
    ids = {verdict.requirement.id for verdict in failed}
    tests = ids | {result.found_in[name] for name in ids if name in result.found_in}
    only = [name for name in CATALOGUE if name in tests and CATALOGUE[name].side is Side.RECEIVER]
    if not only or result.interrupted or result.rig_lost or result.errors:
        return
    try:
        repeated = run_suite(
            profile, opens(), seed=seed, only=only, progress=progress, jobs=jobs if len(only) > _FEW else 1
        )
    except LostlinkError:
        return
    if repeated.interrupted or repeated.errors or repeated.rig_lost:
        return
    outcomes = {verdict.requirement.id: verdict.outcome for verdict in repeated.verdicts}
    for verdict in failed:
        name = verdict.requirement.id
        was_repeated = result.found_in.get(name, name) in only
        if was_repeated and (said := _SAID.get(outcomes.get(name, Outcome.INCONCLUSIVE), "")):
            kept = evidence is not None and _kept(profile, opens, evidence, name)
            _tell(result, verdict, said, f"{evidence_name or evidence}/failing" if kept else "")


def _tell(result: Result, verdict: Verdict, said: str, folder: str) -> None:
    name = verdict.requirement.id
    reason = f"{verdict.remark}; {said}" if verdict.remark else said
    result.verdicts[result.verdicts.index(verdict)] = dataclasses.replace(verdict, reason=reason)
    lines = [result.findings.get(name, ""), f"  handset   {said}"]
    if folder:
        lines.append(f"  both runs {folder}/{name}.csv and {folder}/{name}{BESIDE}.csv")
    result.findings[name] = "\n".join(filter(None, lines))


def _kept(profile: Profile, opens: Callable[[], Rig], evidence: Path, name: str) -> bool:
    """Run the failed scenario with the simulated handset and write the run beside it; return whether that worked."""
    folder, stem = evidence / "failing", Path(file_name(name)).stem
    file = folder / f"{stem}.scenario.toml"
    try:
        scenario = read_scenario(str(file), profile)
        with opens() as rig:
            trace = rig.run(scenario)
    except ReceiverCrashError as error:
        if error.trace is None:
            return False
        trace = error.trace
    except LostlinkError:
        return False
    try:
        save_run(trace, folder, f"{stem}{BESIDE}")
    except OSError:
        return False
    return True
