"""Settings keep their limits at construction, not only when they come from a file."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from lostlink_sims import Move, Profile, Scenario
from lostlink_sims._settings import Checked
from lostlink_sims.air.loss import MODELS, Bernoulli
from lostlink_sims.profile import Channel, ReceiverSettings
from lostlink_sims.scenario import FAULTS, InterferenceBurst, LinkCut


def any_value(value: Any) -> Any:
    return value


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: ReceiverSettings(timeout_us=-5), "ReceiverSettings.timeout_us: -5 is too small; allowed: 1000 to"),
        (lambda: dataclasses.replace(Profile().output, style="ppm"), "Output.*style: 'ppm' is not one of the choices"),
        (lambda: Channel(name="x", centre_error=float("nan")), "Channel.centre_error: nan is not a number"),
        (lambda: InterferenceBurst(at_us=1, loss=1.5), "InterferenceBurst.loss: 1.5 is too large; allowed: 0 to 1"),
        (lambda: LinkCut(at_us=-1), "LinkCut.at_us: -1 is too small"),
        (lambda: Move(at_us=0, channel="x", position=2.0), "Move.position: 2.0 is too large"),
        (lambda: Bernoulli(probability=-0.1), "Bernoulli.probability: -0.1 is too small"),
        (lambda: ReceiverSettings(timeout_us=any_value(np.int64(-5))), "ReceiverSettings.timeout_us: .*is too small"),
        (lambda: ReceiverSettings(timeout_us=any_value("x")), "ReceiverSettings.timeout_us: 'x' is not a number"),
        (lambda: Scenario(duration_us=-1), "Scenario.duration_us: -1 is too small"),
    ],
)
def test_a_value_out_of_its_limits_is_refused(make: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()


def test_everything_with_settings_is_checked() -> None:
    parts = [type(getattr(Profile(), field.name)) for field in dataclasses.fields(Profile)]
    kinds = [*FAULTS.values(), *MODELS.values(), Scenario, Move, Channel, Profile]
    kinds += [part for part in parts if dataclasses.is_dataclass(part)]
    assert len(kinds) > 25
    assert [kind for kind in kinds if not issubclass(kind, Checked)] == []
