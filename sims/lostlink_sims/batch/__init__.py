"""Many trials of one flight side by side, equal to the event simulation to the microsecond."""
