"""Profiles and scenarios on disk."""
