"""The bench from end to end: the compiled board in virtual time and behind a real tty; see ``ci/bench --help``."""

from __future__ import annotations

import argparse
import contextlib
import json
import multiprocessing
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROOT = Path(__file__).parents[1]
BOARD = ROOT / "fixtures" / "board"
HERON = ROOT / "fixtures" / "profiles" / "heron.toml"
STOP = ("DIES_ON_SHORT_PACKET", "LOOPS_ON_SHORT_PACKET")
"""Mistakes that stop the whole board: on a tty the connection is lost."""


def build(folder: Path, mistake: str = "") -> None:
    """Compile the board and the library, optionally with a mistake."""
    command = ["make", "-s", "-C", str(BOARD), f"BUILD={folder}", *([f"MISTAKE={mistake}"] if mistake else [])]
    subprocess.run(command, check=True)


def prove(out: Path, *words: str) -> tuple[int, dict[str, list[str]], str]:
    """Run the suite; return exit code, ids by outcome, and the conclusion."""
    command = [sys.executable, "-m", "lostlink", "prove", *words, "--quiet", "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    try:
        document = json.loads((out / "verdicts.json").read_text(encoding="utf-8"))
    except OSError:
        return done.returncode, {}, done.stderr.strip()
    ids: dict[str, list[str]] = {}
    for verdict in document["verdicts"]:
        ids.setdefault(verdict["outcome"], []).append(verdict["id"])
    bench = document["tested"].get("bench", {})
    remarks = "; ".join(bench[name] for name in ("clock", "lateness", "runs", "at the end") if name in bench)
    return done.returncode, ids, f"{document['conclusion']} {remarks}".strip()


@contextlib.contextmanager
def board(program: Path) -> Iterator[str]:
    """Start a board and yield its port."""
    with subprocess.Popen([program], stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        try:
            yield running.stdout.readline().strip()
        finally:
            running.kill()


def on_tty(program: Path, out: Path, *words: str) -> tuple[int, dict[str, list[str]], str]:
    """Run the suite on a new board."""
    with board(program) as port:
        return prove(out, *words, "--rig", f"serial:{port}", "--props-off")


def spin(until_s: float) -> None:
    """Keep a core busy."""
    while time.monotonic() < until_s:
        pass


@contextlib.contextmanager
def load(processes: int) -> Iterator[None]:
    """Load the machine with busy processes."""
    busy = [
        multiprocessing.Process(target=spin, args=(time.monotonic() + 3600,), daemon=True) for _ in range(processes)
    ]
    for process in busy:
        process.start()
    try:
        yield
    finally:
        for process in busy:
            process.kill()


class Score:
    """Prints a line for each test, and counts the failures."""

    def __init__(self) -> None:
        self.wrong = 0

    def __call__(self, good: bool, what: str, remark: str, since_s: float) -> None:
        self.wrong += not good
        print(f"{'+' if good else 'X'} {what:<34} {time.monotonic() - since_s:6.1f} s  {remark}", flush=True)  # noqa: T201


def without_crc(folder: Path) -> Path:
    """Return heron without the radio's CRC, which would keep damaged packets from the receiver."""
    text = HERON.read_text(encoding="utf-8").replace("crc_bytes = 2", "crc_bytes = 0")
    path = folder / "heron_without_crc.toml"
    path.write_text(text, encoding="utf-8")
    return path


def mistake(folder: Path, name: str, wanted: str, score: Score) -> None:
    """Check that a mistake breaks its requirement, in virtual time and on the tty."""
    build(folder, name)
    profile = str(without_crc(folder) if name == "DAMAGED_OBEYED" else HERON)
    since_s = time.monotonic()
    code, found, _ = prove(folder / f"{name}-lib", profile, "--receiver", str(folder / f"{name}.so"))
    failed = found.get("not met", [])
    score(code == 1 and wanted in failed, f"{name}, library", ", ".join(failed), since_s)
    since_s = time.monotonic()
    code, found, text = on_tty(folder / f"{name}-board", folder / f"{name}-tty", profile, "--only", wanted)
    if name in STOP:
        score(code == 3, f"{name}, tty", text, since_s)
    else:
        score(code == 1 and wanted in found.get("not met", []), f"{name}, tty", f"{wanted}: {text}", since_s)


def main() -> int:
    """Run everything."""
    parser = argparse.ArgumentParser(prog="ci/bench", description=__doc__)
    parser.add_argument(
        "--repeats", type=int, default=1, help="whole suites on the tty (default 1; each takes minutes)"
    )
    parser.add_argument("--loaded", type=int, default=0, help="number of these on a loaded machine")
    parser.add_argument("--parallel", type=int, default=3, help="number of boards at a time (default 3)")
    parser.add_argument("--no-mistakes", action="store_true", help="leave the mistakes out")
    chosen = parser.parse_args()
    missing = [name for name in ("cc", "make") if shutil.which(name) is None]
    if missing:
        print(f"bench not tested: {' and '.join(missing)} missing")  # noqa: T201
        return 0
    score = Score()
    with tempfile.TemporaryDirectory() as scratch, ThreadPoolExecutor(chosen.parallel) as pool:
        folder = Path(scratch)
        build(folder)
        since_s = time.monotonic()
        code, _, text = prove(folder / "lib", str(HERON), "--receiver", str(folder / "receiver.so"))
        score(code == 0, "whole suite, library", text, since_s)

        def repeat(number: int) -> None:
            begun_s = time.monotonic()
            out = folder / f"tty-{number}"
            code, found, text = on_tty(folder / "board", out, str(HERON), "--seed", str(number + 1))
            # On an overloaded machine a verdict may be inconclusive, never falsely met or not met.
            doubts = f" inconclusive: {', '.join(found['inconclusive'])}" if "inconclusive" in found else ""
            score(
                code in (0, 4) and "not met" not in found,
                f"whole suite, tty, seed {number + 1}",
                text + doubts,
                begun_s,
            )

        list(pool.map(repeat, range(chosen.repeats - chosen.loaded)))
        if chosen.loaded:
            with load(multiprocessing.cpu_count()):
                list(pool.map(repeat, range(chosen.repeats - chosen.loaded, chosen.repeats)))
        if not chosen.no_mistakes:
            rows = tomllib.loads((BOARD / "mistakes.toml").read_text(encoding="utf-8")).items()
            list(pool.map(lambda row: mistake(folder, *row, score), rows))
    print("all as expected" if not score.wrong else f"{score.wrong} not as expected")  # noqa: T201
    return int(bool(score.wrong))


if __name__ == "__main__":
    sys.exit(main())
