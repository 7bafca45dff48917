"""Proves that a radio-control link's failsafe cuts the throttle when the link is lost."""

__version__ = "0.1.0"
__all__ = ["__version__"]
