"""TODO evidence."""
