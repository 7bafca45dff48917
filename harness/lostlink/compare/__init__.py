"""Two evidence folders side by side: what got better or worse, requirement by requirement."""
