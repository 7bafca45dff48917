"""Calculations before a flight: timeout and false failsafes, latency, range, loss models fitted to logs."""

__all__ = ["fading", "first_passage", "fit", "latency", "link_range", "loss_log", "timeout", "wording"]
