"""Tracks and positions in; named numbers with their errors out, or the reason why not."""
