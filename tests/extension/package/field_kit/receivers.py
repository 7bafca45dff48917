"""A receiver of our own."""

from lostlink_sims import Profile, ReferenceReceiver


class Cautious(ReferenceReceiver):
    """Cuts after half of the silence that the profile asks for."""

    def __init__(self, profile: Profile) -> None:
        super().__init__(profile)
        self._timeout_us //= 2
        self._cut_us //= 2
