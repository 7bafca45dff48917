"""The screens of ``lostlink plan``, a module a command: table, chart, sentences."""

from lostlink.show.plan.fit import show_fits
from lostlink.show.plan.latency import show_latencies
from lostlink.show.plan.link_range import show_ranges
from lostlink.show.plan.timeout import show_timeouts

__all__ = ["show_fits", "show_latencies", "show_ranges", "show_timeouts"]
