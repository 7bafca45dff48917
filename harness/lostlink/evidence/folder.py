"""The evidence folder on disk: prepared for a run, and written.

``verdicts.json`` (`document`), ``summary.md`` (`summary`), ``profile.toml`` (the fully resolved profile),
``report.html``; by `prove` also ``junit.xml`` (pytest writes it), ``runs/`` (`run_writer`) and ``failing/`` with the
run of each failed requirement (`exports`) and the finding as ``ID.txt``; further files of each command.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from lostlink.errors import EvidenceError, UsageError
from lostlink.evidence.document import FILE, Document, read_json
from lostlink.profiles import write_profile
from lostlink_sims import Profile

_FILES: Final = (
    FILE, "summary.md", "report.html", "profile.toml", "junit.xml", "rows.csv", "attempts.csv", "frames.csv",
    "campaign.json", "tallies.jsonl",
)  # fmt: skip
_FOLDERS: Final = ("failing", "worst", "runs")


def fresh_folder(out: str | Path, document: str = FILE) -> Path:
    """Return the folder `out`, ready for new evidence.

    Files of earlier evidence are removed. A folder that holds anything else is refused, so that nothing of the user's
    is overwritten.

    Parameters
    ----------
    document : str
        The file by which earlier evidence of the same kind is recognised. Files that it lists under ``files`` are
        removed too.

    Raises
    ------
    UsageError
        If the folder is in other use, or cannot be created or written.
    """
    folder = Path(out)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            _remove_earlier(folder, document)
    except OSError as error:
        raise not_writable("--out", out, error) from error
    return folder


def _remove_earlier(folder: Path, document: str) -> None:
    try:
        listed = read_json(folder / document).get("files", [])
    except EvidenceError:
        raise UsageError(
            f"--out {folder}: contains other files; allowed: a new or empty folder, or one with earlier evidence"
        ) from None
    within = [name for name in listed if isinstance(name, str) and Path(name).name == name]
    for name in (*_FILES, *within, document):
        (folder / name).unlink(missing_ok=True)
    for name in _FOLDERS:
        shutil.rmtree(folder / name, ignore_errors=True)


def not_writable(option: str, path: str | Path, error: OSError) -> UsageError:
    """Return the error for a file or folder that cannot be written."""
    return UsageError(f"{option} {path}: {error.strerror or error}; allowed: a path that can be written")


def write_files(folder: Path, files: Mapping[str, str]) -> None:
    """Write texts by their path within the folder.

    Raises
    ------
    UsageError
        If one cannot be written.
    """
    for name, text in files.items():
        path = folder / name
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise not_writable("--out", path, error) from error


def write_evidence(
    folder: Path, document: Document, summary: str, *, profile: Profile | None, files: Mapping[str, str] | None = None
) -> None:
    """Write the document, its summary and the profile, and further files of the command.

    Parameters
    ----------
    summary : str
        ``summary.md``.
    profile : Profile or None
        None where no profile was given.
    files : mapping of str to str, optional
        Path within the folder to text.
    """
    written = {FILE: document.as_text(), "summary.md": summary, **(files or {})}
    if profile is not None:
        written["profile.toml"] = write_profile(profile)
    write_files(folder, written)
