"""Formats of evidence: digests (FIPS 180-4), schemas (JSON Schema 2020-12), dates (RFC 3339)."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from lostlink.evidence.document import run_head
from lostlink.evidence.schemas import CAMPAIGN_SCHEMA, VERDICTS_SCHEMA
from lostlink_sims import Profile

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
EMPTY = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"


def head(receiver_file: Path | None = None) -> dict[str, Any]:
    started = dt.datetime(2024, 2, 29, 23, 59, 59, 999_999, tzinfo=dt.timezone(dt.timedelta(hours=5, minutes=30)))
    file = None if receiver_file is None else str(receiver_file)
    return run_head(
        Profile(), profile_file=None, receiver="x", receiver_file=file, rig="sim", seed=1, only=[], started=started
    )


@pytest.mark.parametrize(("content", "digest"), [("abc", ABC), ("", EMPTY)])
def test_digest_of_a_receiver_s_file(content: str, digest: str, tmp_path: Path) -> None:
    """The SHA-256 of the file's bytes: the example of FIPS 180-4 ("abc"), and of no byte (NIST); from memory."""
    file = tmp_path / "receiver.py"
    file.write_text(content, encoding="ascii")
    assert head(file)["receiver_sha256"] == digest


@pytest.mark.parametrize("schema", [VERDICTS_SCHEMA, CAMPAIGN_SCHEMA], ids=["verdicts", "campaign"])
def test_schemas_are_schemas(schema: dict[str, Any]) -> None:
    """Against the meta-schema of the draft that they name."""
    assert schema["$schema"] == Draft202012Validator.META_SCHEMA["$id"]
    Draft202012Validator.check_schema(schema)


def test_date() -> None:
    """RFC 3339, 5.6: date-time with the offset from UTC."""
    text = head()["date"]
    assert re.fullmatch(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?(Z|[+-]\d{2}:\d{2})", text)
    assert text == "2024-02-29T23:59:59+05:30"
