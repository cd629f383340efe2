"""The record: players, lessons, clips and what was found in them."""
