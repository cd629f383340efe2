"""Lessonmark: evidence of change from the clips of a golf lesson."""

__version__ = "0.1.0"
__all__ = ["__version__"]
