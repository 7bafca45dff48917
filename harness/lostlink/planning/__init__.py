"""Planning by mathematics: timeouts against false failsafes, range, latency, and channels fitted to recorded losses."""
