"""Frames in; body, club and ball out, in pixels, each with a covariance."""
