"""Make what the player takes home from a lesson's findings.

In: `Findings` and its folder of pictures, and the coach's words. Out: the lesson sheet (HTML and
JSON), one page of paper (PDF), a phone card (PNG), the review video (MP4), talking points, a
message, and all of them in one folder and zip. Nothing here measures or judges: every number and
verdict is the findings' own.
"""

__all__: list[str] = []
