"""Why a requirement exists, how it is tested, which mistakes break it, what to change in firmware."""
