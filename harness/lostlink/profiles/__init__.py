"""Profiles and scenarios on disk: read, written, explained.

What a setting is, is declared once, in the dataclasses of `lostlink_sims`; everything here is derived from them.
"""

from lostlink.profiles.reader import (
    input_files,
    parse_profile,
    parse_scenario,
    read_link,
    read_profile,
    read_scenario,
    recorded_losses,
)
from lostlink.profiles.schema import profile_schema, scenario_schema
from lostlink.profiles.template import commented_profile
from lostlink.profiles.writer import profile_digest, write_profile, write_scenario

__all__ = [
    "commented_profile",
    "input_files",
    "parse_profile",
    "parse_scenario",
    "profile_digest",
    "profile_schema",
    "read_link",
    "read_profile",
    "read_scenario",
    "recorded_losses",
    "scenario_schema",
    "write_profile",
    "write_scenario",
]
