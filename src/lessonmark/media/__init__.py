"""Clips in, frames and sound out, each with its time on the clip's own clock."""
