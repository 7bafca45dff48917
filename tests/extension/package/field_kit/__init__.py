"""What one club adds: a receiver, a loss model, a rig, a requirement."""
