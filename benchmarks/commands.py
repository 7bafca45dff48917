"""What commands cost, in CPU time of all their processes: start-up, the proof of the shipped link, an emulated image.

Run: ``python benchmarks/commands.py``. The image needs the emulator and the cross-compiler (``ci/emulated --install``).
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from goals import Goal, cpu_of_children_s, elapsed_s, table

from lostlink.profiles import read_profile
from lostlink.profiles.header import c_header
from lostlink.rigs.emulated import EmulatedRig
from lostlink.suite.run import run_suite
from lostlink_sims import Scenario, Trace

ROOT = Path(__file__).parents[1]
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
ROUNDS = 5


def lostlink(*words: str, out: Path | None = None) -> None:
    """Run a command to its end."""
    command = [sys.executable, "-m", "lostlink", *words, *(["--quiet", "--out", str(out)] if out else [])]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=ROOT)


def python_s() -> float:
    """Return the CPU time of a Python that does nothing."""
    return cpu_of_children_s(lambda: subprocess.run([sys.executable, "-c", ""], check=True))


class Timed(EmulatedRig):
    """An emulated image that adds up what it flies."""

    flown_us = 0

    def run(self, scenario: Scenario) -> Trace:
        """Run a scenario."""
        Timed.flown_us += scenario.duration_us
        return super().run(scenario)


def image(folder: Path) -> list[Goal]:
    """Return how much faster than real time the whole suite flies on an emulated image, with one process."""
    missing = [name for name in ("make", "arm-none-eabi-gcc", "qemu-system-arm") if shutil.which(name) is None]
    if missing:
        print(f"emulated image: not measured, {', '.join(missing)} missing")
        return []
    (folder / "link.h").write_text(c_header(read_profile(HERON)), encoding="utf-8")
    build = ["make", "-s", "-C", str(ROOT / "fixtures" / "board"), "image", f"LINK={folder}", f"BUILD={folder}"]
    subprocess.run(build, check=True, stdout=subprocess.DEVNULL)
    profile = read_profile(HERON)
    elapsed = elapsed_s(lambda: run_suite(profile, Timed(profile, str(folder / "receiver.elf"))))
    rate = Timed.flown_us / 1e6 / elapsed
    print(f"emulated image, one process: {Timed.flown_us / 1e6:.0f} s of flight in {elapsed:.0f} s")
    return [Goal("emulated image, whole suite on one process, flight to elapsed time", rate, 25, is_floor=True)]


def main() -> list[Goal]:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        helps = [(cpu_of_children_s(lambda: lostlink("--help")), python_s()) for _ in range(ROUNDS)]
        help_s = statistics.median(own for own, _ in helps)
        print(f"--help: {help_s:.3f} s, {statistics.median(own / bare for own, bare in helps):.1f} x a bare Python")
        proofs = [cpu_of_children_s(lambda: lostlink("prove", str(HERON), out=folder / "proof")) for _ in range(3)]
        print(f"prove, shipped profile: {statistics.median(proofs):.2f} s")
        return [Goal("lostlink --help, CPU", help_s, 0.15, "s"), *image(folder)]


if __name__ == "__main__":
    print(table(main()))
