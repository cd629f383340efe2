"""The coach's pages: players, lessons, the lesson sheet and the swing viewer.

In: the record and an `Analyser`. Out: pages rendered on this machine for a browser on this
machine. Nothing here measures or judges; no page asks anything of another server.
"""

__all__: list[str] = []
