"""The evidence folder on disk: written beside its target, moved there when it is complete.

``verdicts.json`` (`document`), ``summary.md`` (`summary`), ``profile.toml`` (the fully resolved profile),
``report.html``; by `prove` also ``junit.xml`` (pytest writes it), ``runs/`` (`run_writer`) and ``failing/`` with the
run of each failed requirement (`exports`) and the finding as ``ID.txt``; further files of each command.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import re
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, Final

from filelock import FileLock, Timeout

from lostlink import safe_end
from lostlink.errors import COMPLETE, EvidenceError, ExitCode, UsageError
from lostlink.evidence.document import CAMPAIGN_FILE, FILE, Document
from lostlink.evidence.run_writer import file_name
from lostlink.evidence.schemas import read_json
from lostlink.files import free_path, not_writable, real_path
from lostlink.profiles import write_profile
from lostlink_sims import Profile

_FILES: Final = (
    FILE, "summary.md", "report.html", "profile.toml", "junit.xml", CAMPAIGN_FILE, "tallies.jsonl",
)  # fmt: skip
_TABLES: Final = {"watch": ("rows.csv", "columns.csv", "attempts.csv"), "capture": ("frames.csv", "capture.json")}
"""Files of evidence by its rig."""
_FOLDERS: Final = {
    "failing": (
        *(f"{beside}{end}" for beside in (".simulated-handset", "") for end in (".csv", ".vcd", ".scenario.toml")),
        ".txt",
    ),
    "worst": (".scenario.toml",), "runs": (".json",),
}  # fmt: skip
"""Subfolders of evidence, and the suffixes of its files in them; their names begin with the id of a requirement."""
_UNFINISHED: Final = "unfinished"
_EARLIER: Final = "earlier"
_BESIDE: Final = rf"{_UNFINISHED}(\.lock)?|{_EARLIER}(-\d+)?"
"""Names of what a run leaves in a folder that cannot be replaced as a whole."""
_AT_CWD, _EXCHANGE = -100, 2  # of renameat2(2)


class EvidenceFolder:
    """New evidence: written in `path`; `complete` moves it to `target`, in place of earlier evidence.

    Until then the earlier evidence stays. Files of the user in the target are kept, links in it are not followed.
    A run that was interrupted never replaces evidence of a complete one, which is kept as ``NAME.earlier``.
    A killed run leaves ``NAME.unfinished`` beside the target, which the next run removes. If the target cannot be
    replaced as a whole (the current folder, a mount point, a parent that is not writable), its files are replaced one
    by one, the document last. Use it as a context manager: without `complete`, only the unfinished files are removed,
    and not even these if the run can be resumed.

    Parameters
    ----------
    out : str or Path
        As the user named it.
    document : str
        The file that identifies earlier evidence of the same kind. Files that it lists under ``files`` are evidence.
    inputs : iterable of (path or None)
        Files that the command reads; none of them is replaced.
    resumable : bool
        Keep the unfinished files without `complete`.
    keep_unfinished : bool
        Continue with the unfinished files of a killed run.

    Attributes
    ----------
    target, path : Path
        Final folder, and the folder that is written.
    kept : Path or None
        Where `complete` moved the evidence of an earlier, complete run.

    Raises
    ------
    UsageError
        If the folder, or that of unfinished files, contains other files, an input or a stopped campaign (without
        `resumable`), cannot be written, or is in use by another run.
    """

    def __init__(
        self,
        out: str | Path,
        document: str = FILE,
        *,
        inputs: Iterable[str | Path | None] = (),
        resumable: bool = False,
        keep_unfinished: bool = False,
    ) -> None:
        self._document = document
        self.target = Path(out)
        self.kept: Path | None = None
        try:
            self._resolved = real_path(self.target)
            if self._resolved.name == _UNFINISHED or self._resolved.suffix == f".{_UNFINISHED}":
                raise UsageError(f"--out {out}: folders of this name hold unfinished evidence; choose another name")
            self._check(inputs)
            self.path = unfinished(out)
            self._lock = FileLock(_own_lock(out, Path(f"{self.path}.lock")), timeout=0)
            self.path.parent.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
        except Timeout:
            raise UsageError(
                f"--out {out}: another run writes its evidence there; wait for its end, or choose another folder"
            ) from None
        except OSError as error:
            raise not_writable("--out", out, error) from error
        self._leftover: Path | None = None if resumable else self.path
        try:
            if not resumable and (stopped := stopped_campaign(out)) is not None:
                raise UsageError(
                    f"--out {out}: {stopped} holds a campaign that was stopped, which `campaign --resume` can "
                    "continue; choose another folder, or remove it"
                )
            if not keep_unfinished:
                self._remove_killed()
            self.path.mkdir(exist_ok=True)
        except OSError as error:
            self._release()
            raise not_writable("--out", out, error) from error
        except UsageError:
            self._release()
            raise

    def _remove_killed(self) -> None:
        """Remove the files of a killed run, but not other files of that name."""
        if not os.path.lexists(self.path):
            return
        is_own = self.path.is_dir() and not self.path.is_symlink()
        if not is_own or (any(self.path.iterdir()) and not (self.path / self._document).is_file()):
            raise UsageError(f"--out {self.target}: {self.path} is in the way; rename it, or choose another folder")
        _remove(self.path, self._document)

    def _check(self, inputs: Iterable[str | Path | None]) -> None:
        if self._resolved.exists() and not self._resolved.is_dir():
            raise UsageError(f"--out {self.target}: is a file; choose a new or empty folder")
        if not self._resolved.is_dir() or all(re.fullmatch(_BESIDE, entry.name) for entry in self._resolved.iterdir()):
            return
        evidence = {path.resolve() for path in self._earlier()}
        for name in inputs:
            if name is not None and Path(name).resolve() in evidence:
                raise UsageError(f"--out {self.target}: holds {name}, an input of this command; choose another folder")

    def _earlier(self) -> list[Path]:
        """Return the files of the earlier evidence in the target, the document first."""
        try:
            document = read_json(self._resolved / self._document)
        except EvidenceError:
            raise UsageError(
                f"--out {self.target}: contains other files; choose a new or empty folder, or one with earlier evidence"
            ) from None
        listed = [name for name in _items(document, "files") if isinstance(name, str) and Path(name).name == name]
        tested = document.get("tested")
        listed += _TABLES.get(str(tested.get("rig")), ()) if isinstance(tested, dict) else ()
        files = [self._resolved / name for name in dict.fromkeys((self._document, *_FILES, *listed))]
        ids = {str(verdict.get("id")) for verdict in _items(document, "verdicts") if isinstance(verdict, dict)}
        ids |= {file_name(name).removesuffix(".json") for name in ids}
        for folder, ends in _FOLDERS.items():
            if not (self._resolved / folder).is_symlink():
                numbered = r"-\d+" if folder == "worst" else ""
                for path in (self._resolved / folder).glob("*"):
                    stem = next((path.name.removesuffix(end) for end in ends if path.name.endswith(end)), "")
                    if any(re.fullmatch(re.escape(name) + numbered, stem) for name in ids):
                        files.append(path)
        return [path for path in files if path.is_file() or path.is_symlink()]

    def complete(self) -> None:
        """Move the new evidence to its target.

        Raises
        ------
        UsageError
            If it cannot be moved; it then stays in `path`.
        """
        try:
            with safe_end.undisturbed():
                keep = _is_complete(self._resolved / self._document) and not _is_complete(self.path / self._document)
                if self.path.parent == self._resolved:
                    self._replace_files(free_path(self._resolved / _EARLIER) if keep else None)
                elif keep:
                    self._keep_folder(free_path(self._resolved.with_name(f"{self._resolved.name}.{_EARLIER}")))
                else:
                    self._replace_folder()
                self._leftover = self.path
        except OSError as error:
            self._leftover = None
            raise UsageError(
                f"--out {self.target}: {error.strerror or error}; the evidence is in {self.path}"
            ) from error

    def _replace_folder(self) -> None:
        if not self._resolved.is_dir() or not any(self._resolved.iterdir()):
            self.path.rename(self._resolved)  # an empty folder is replaced, too
            return
        _carry_over(self._resolved, self.path, set(self._earlier()), _link)
        if not _exchanged(self.path, self._resolved):
            replaced = self._resolved.with_name(f"{self._resolved.name}.replaced")
            self._resolved.rename(replaced)
            self.path.rename(self._resolved)
            replaced.rename(self.path)

    def _keep_folder(self, kept: Path) -> None:
        """Move the earlier evidence aside; each of the two folders has the user's files."""
        _carry_over(self._resolved, self.path, set(self._earlier()), shutil.copy2)
        self._resolved.rename(kept)
        self.kept = kept
        self.path.rename(self._resolved)

    def _replace_files(self, kept: Path | None) -> None:
        """Replace file by file, the document last; a killed run leaves it, so that the next run goes on from there."""
        new = [path.relative_to(self.path) for path in self.path.rglob("*") if path.is_file()]
        old = [path.relative_to(self._resolved) for path in self._earlier()] if self._has_document() else []
        last = Path(self._document)
        if kept is not None:
            for name in sorted(old, key=lambda name: name == last):
                _copy(self._resolved / name, kept / name)
        self.kept = kept
        for name in sorted(new, key=lambda name: name == last):
            folder = (self._resolved / name).parent
            if folder.is_symlink():
                folder.unlink()
            folder.mkdir(exist_ok=True)
            (self.path / name).replace(self._resolved / name)
        for name in set(old) - set(new):
            (self._resolved / name).unlink()

    def _has_document(self) -> bool:
        return (self._resolved / self._document).exists()

    def __enter__(self) -> EvidenceFolder:
        """Return the folder."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Remove unfinished or replaced files, and release the lock."""
        with safe_end.undisturbed():
            if self._leftover is not None:
                _remove(self._leftover, self._document)
            self._release()

    def _release(self) -> None:
        with contextlib.suppress(OSError):
            Path(self._lock.lock_file).unlink(missing_ok=True)
        self._lock.release()


def _own_lock(out: str | Path, lock: Path) -> str:
    """Return the path of a lock, which is an empty file; anything else of that name is somebody's."""
    if os.path.lexists(lock) and (lock.is_symlink() or not lock.is_file() or lock.stat().st_size):
        raise UsageError(f"--out {out}: {lock} is in the way; rename it, or choose another folder")
    return str(lock)


def _is_complete(file: Path) -> bool:
    """Return whether a document is of a run that was not interrupted and could be judged."""
    try:
        return read_json(file).get("exit_code") in COMPLETE
    except EvidenceError:
        return False


def _items(document: Mapping[str, Any], key: str) -> list[Any]:
    """Return a list of a document; it may have been edited."""
    items = document.get(key)
    return items if isinstance(items, list) else []


def unfinished(out: str | Path) -> Path:
    """Return the path of the unfinished files, which need not exist."""
    target = Path(out).resolve()
    return target / _UNFINISHED if _cannot_be_replaced(target) else target.with_name(f"{target.name}.{_UNFINISHED}")


def stopped_campaign(out: str | Path) -> Path | None:
    """Return the folder of a stopped or killed campaign that can be continued, if any."""
    killed, target = unfinished(out), Path(out)
    if (killed / CAMPAIGN_FILE).is_file():
        return killed
    try:
        interrupted = read_json(target / FILE)["exit_code"] == ExitCode.INTERRUPTED
        return target if interrupted and (target / CAMPAIGN_FILE).is_file() else None
    except (EvidenceError, KeyError):
        return None


def _cannot_be_replaced(folder: Path) -> bool:
    """Return whether a folder is in use by this process, a mount, or in a read-only folder."""
    here = Path.cwd()
    existing = next((parent for parent in folder.parents if parent.exists()), folder)
    used = folder == here or folder in here.parents or folder.is_mount()
    return used or (folder.is_dir() and not os.access(existing, os.W_OK))


def _others(folder: Path, evidence: set[Path]) -> Iterator[Path]:
    """Yield the files and folders in a folder that are not its evidence."""
    for entry in folder.iterdir():
        if entry.is_dir() and not entry.is_symlink() and entry.name in _FOLDERS:
            yield from (path for path in entry.iterdir() if path not in evidence)
        elif entry not in evidence:
            yield entry


def _remove(folder: Path, document: str) -> None:
    """Remove a folder of evidence, its document last: without one the rest would not be known as evidence."""
    entries = list(folder.iterdir()) if folder.is_dir() else []
    for entry in sorted(entries, key=lambda entry: entry.name == document):
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry, ignore_errors=True)
        else:
            with contextlib.suppress(OSError):
                entry.unlink()
    with contextlib.suppress(OSError):
        folder.rmdir()


def _copy(source: Path, copy: Path) -> None:
    copy.parent.mkdir(parents=True, exist_ok=True)
    shutil.copy2(source, copy, follow_symlinks=False)


def _carry_over(folder: Path, new: Path, evidence: set[Path], copy_function: Callable[..., object]) -> None:
    """Link or copy the user's files of the present folder into the new one."""
    for path in _others(folder, evidence):
        copy = new / path.relative_to(folder)
        if os.path.lexists(copy):
            continue  # a link in place of evidence
        copy.parent.mkdir(exist_ok=True)
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, copy, symlinks=True, copy_function=copy_function)
        else:
            copy_function(path, copy, follow_symlinks=False)


def _link(source: str | Path, copy: str | Path, *, follow_symlinks: bool = False) -> None:
    try:
        os.link(source, copy, follow_symlinks=False)
    except OSError:
        shutil.copy2(source, copy, follow_symlinks=False)


def _exchanged(first: Path, second: Path) -> bool:
    """Exchange two folders in one step; return False if the system cannot."""
    try:
        rename = ctypes.CDLL(None).renameat2
    except (AttributeError, OSError, TypeError):
        return False
    return bool(rename(_AT_CWD, os.fsencode(first), _AT_CWD, os.fsencode(second), _EXCHANGE) == 0)


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
    """Write the document, ``summary.md``, the profile if any, and further `files`: path within the folder to text."""
    written = {FILE: document.as_text(), "summary.md": summary, **(files or {})}
    if profile is not None:
        written["profile.toml"] = write_profile(profile)
    write_files(folder, written)
