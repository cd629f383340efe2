"""The catalogue as rows, for the command line, and as a page of the docs.

python -m lessonmark.measures.page > docs/measures.md
"""

from __future__ import annotations

from dataclasses import dataclass

from lessonmark.language import say
from lessonmark.measures.registry import Drawn, Measure, catalogue
from lessonmark.words import Position, View

__all__ = ["MeasureRow", "catalogue_rows", "measures_page"]


@dataclass(frozen=True, kw_only=True)
class MeasureRow:
    """One measure in a reader's words."""

    id: str
    name: str
    views: str  # 'face-on, down-the-line'
    unit: str
    reads: str
    sign: str
    definition: str
    positions: str  # 'P2 to P10', or 'the whole swing'
    needs: str
    usual: str
    drawn: str


def catalogue_rows() -> tuple[MeasureRow, ...]:
    """List the catalogue in the language now spoken."""
    return tuple(_row(entry) for entry in catalogue())


def _row(entry: Measure) -> MeasureRow:
    needs = say(entry.needs)
    if entry.least_fps:
        needs += say("; at least {fps:.0f} frames a second", fps=entry.least_fps)
    return MeasureRow(
        id=entry.id,
        name=say(entry.name),
        views=say("both views of one swing")
        if entry.needs_two_views
        else ", ".join(view.value for view in View if view in entry.views),
        unit=_unit(entry.unit),
        reads=say(entry.reads),
        sign=say(entry.sign),
        definition=say(entry.definition),
        positions=_positions(entry),
        needs=needs,
        usual=say(entry.usual),
        drawn="; ".join(_drawn(line) for line in entry.draws) or say("not drawn"),
    )


def _unit(unit: str) -> str:
    if unit == "cm":
        return say("cm (% of the torso where there is no scale)")
    return {"deg": "°", "deg/s": "°/s", "": say("a ratio")}.get(unit, unit)


def _positions(entry: Measure) -> str:
    if entry.is_span:
        return say("over the swing")
    said = _range(entry.positions)
    if entry.positions_face_on is not None:
        said = say("{these}; face-on {those}", these=said, those=_range(entry.positions_face_on))
    return said


def _range(positions: tuple[Position, ...]) -> str:
    numbers = [position.number for position in positions]
    if len(numbers) > 2 and numbers == list(range(numbers[0], numbers[-1] + 1)):
        return say("{first} to {last}", first=positions[0].value, last=positions[-1].value)
    return ", ".join(position.value for position in positions)


def _drawn(line: Drawn) -> str:
    points = [name.replace("_", " ") for name in line.points]
    if line.kind == "plumb":
        return say("a plumb line through the {point}", point=points[0])
    if line.kind == "level":
        return say("a level line through the {point}", point=points[0])
    if line.kind == "then":
        return say("the {point} from P1 to now", point=points[0])
    if len(points) == 1:
        return say("the {point}", point=points[0])
    return say("a line {points}", points=" – ".join(points))


def measures_page() -> str:
    """Write the docs page of the measures, Markdown."""
    rows = catalogue_rows()
    lines = [
        "# Measures",
        "",
        "Made from the catalogue by `python -m lessonmark.measures.page`; a test keeps it so.",
        "",
        "Every angle and length from one view is the one *projected on its plane*: face-on",
        "shows along the target line and up, down-the-line shows out toward the ball and up.",
        "Those from both views of one swing are in space. A left-hander's numbers read the same",
        "as a right-hander's. Before measuring, the camera's roll is taken out, the picture is",
        "turned to face the golfer, and near points are brought to the plane of the hips by an",
        "ordinary golfer's depth; what is not known of each is in the systematic error. Every",
        "value comes with a random standard error (differs from swing to swing) and a",
        "systematic one (shared by a camera set-up, cancels in a difference while the camera",
        "stands still).",
        "Usual ranges are for plausibility, never a target.",
        "",
        "| id | view | unit | + means | reads |",
        "| --- | --- | --- | --- | --- |",
    ]
    lines += [
        f"| [{row.id}](#{row.id}) | {row.views} | {row.unit} | {row.sign} | {row.reads} |"
        for row in rows
    ]
    for row in rows:
        lines += [
            "",
            f"## {row.id}",
            "",
            f"**{row.name[:1].upper()}{row.name[1:]}**: {row.definition}.",
            "",
            f"- Where: {row.views}, {row.positions}.",
            f"- Unit and sign: {row.unit}; {row.sign}.",
            f"- Reads: {row.reads}.",
            f"- Needs: {row.needs}.",
            f"- Usual: {row.usual}.",
            f"- Drawn: {row.drawn}.",
        ]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(measures_page(), end="")
