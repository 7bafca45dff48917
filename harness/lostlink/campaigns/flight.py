"""The flight that a campaign simulates."""

from __future__ import annotations

from lostlink.errors import ProfileError
from lostlink.profiles.quantities import text_of
from lostlink.scenarios import ScenarioBuilder
from lostlink_sims import Profile
from lostlink_sims.batch.trials import CAUSES, FlightTrials

_AWAY_MORE_US = 1_500_000


def flight_trials(
    profile: Profile, seed: int, *, duration_us: int = 10_000_000, causes: tuple[str, ...] = tuple(CAUSES)
) -> FlightTrials:
    """Return trials in which a model takes off, flies, and loses its link.

    Parameters
    ----------
    profile : Profile
    seed : int
    duration_us : int
    causes : tuple of str
        Causes of the link loss, equally likely.

    Raises
    ------
    ProfileError
        If a trial is too short for take-off, loss and return.
    """
    builder = ScenarioBuilder(profile, seed, "campaign")
    limits = profile.requirements
    moves, up_us = builder.take_off()
    air_us = up_us + builder.settle_us + 10 * builder.packet_us + 2 * builder.frame_us
    from_us = air_us + 2 * builder.frame_us
    watch_us = max(limits.cut_within_us, limits.motor_cut_within_us) + 4 * builder.frame_us
    until_us = duration_us - watch_us
    if until_us <= from_us:
        raise ProfileError(
            f"--duration {text_of(duration_us, 'duration')}: too short to take off and lose the link; "
            f"allowed: more than {text_of(from_us + watch_us, 'duration')}"
        )
    return FlightTrials(
        profile=profile,
        seed=seed,
        moves=moves,
        duration_us=duration_us,
        air_us=air_us,
        lost_from_us=from_us,
        lost_until_us=until_us,
        away_us=(watch_us, watch_us + _AWAY_MORE_US),
        causes=causes,
    )
