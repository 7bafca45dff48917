"""The screens of ``lostlink plan``, a module a command: table, chart, sentences."""

from lostlink.show.plan.fit import show_fits, show_fragment, show_no_losses
from lostlink.show.plan.latency import show_latencies
from lostlink.show.plan.link_range import show_ranges
from lostlink.show.plan.timeout import show_timeouts

__all__ = ["show_fits", "show_fragment", "show_latencies", "show_no_losses", "show_ranges", "show_timeouts"]
