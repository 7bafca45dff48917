"""Campaigns: the same scenario flown many thousand times, and what may be concluded from it.

`statistics` bounds, distributions, worst trials · `stopping` what is claimed and when to stop · `jobs` who does
the work.
"""
