"""Message catalogues, one folder a language, and how messages are found in the source.

In: the package's own source. Out: message ids for Babel (`extraction`). The catalogues themselves
are read by `lessonmark.language`.
"""

__all__: list[str] = []
