"""The coach's pages, served on this machine alone."""
