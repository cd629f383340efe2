"""Measured swings of several stages in; scatter, change, verdicts and what lasted out."""
