"""What the air does to a packet: loss models (`loss`) and the physics of the radio path (`radio`)."""

from lostlink_sims.air.loss import (
    MODELS,
    Bernoulli,
    GilbertElliott,
    LinkBudget,
    LossModel,
    PeriodicInterferer,
    Recorded,
)

__all__ = ["MODELS", "Bernoulli", "GilbertElliott", "LinkBudget", "LossModel", "PeriodicInterferer", "Recorded"]
