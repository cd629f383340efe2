"""Tracks in; P1 to P10 out, as times with standard errors."""
