"""Proves that a radio-control link's failsafe cuts the throttle when the link goes away."""

__version__ = "0.1.0"
