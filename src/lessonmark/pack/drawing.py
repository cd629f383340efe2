"""Measured lines over a picture, as SVG in the picture's own pixels.

Light lines in a dark casing read on grass, sky and clothes alike; the label sits on paper. What
was measured is a solid line, what it was measured against a broken one.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from lessonmark.lessons.findings import DrawnLine, StillPicture

__all__ = ["LINE_WIDTH", "Tag", "overlay_svg", "place_tags"]

MEASURED = "#F0E442"  # Okabe and Ito's yellow: 12:1 against its casing
REFERENCE = "#FFFFFF"
CASING = "#211E1A"
PAPER = "#FBF8F1"
LINE_WIDTH = 1 / 95  # of the picture's longer side
_LETTER = 0.52  # mean width of a figure in ems, Source Serif Pro, measured on '0123456789 ±°'


@dataclass(frozen=True, kw_only=True)
class Tag:
    """A label's box, in the picture's pixels."""

    text: str
    x: float
    y: float
    width: float
    height: float
    font_size: float


def place_tags(lines: tuple[DrawnLine, ...], width: int, height: int) -> tuple[Tag, ...]:
    """Set each label beside the far end of its line, inside the picture and off the others."""
    size = max(width, height) / 22
    placed: list[Tag] = []
    for line in lines:
        if not line.label:
            continue
        box_w = len(line.label) * size * _LETTER + size * 0.7
        box_h = size * 1.45
        x, y = max(line.points, key=lambda p: -p[1])
        left = x + size * 0.6 if x < width / 2 else x - size * 0.6 - box_w
        left = min(max(left, size * 0.3), max(width - box_w - size * 0.3, 0.0))
        top = min(max(y - box_h * 1.1, size * 0.3), height - box_h - size * 0.3)
        while any(abs(top - t.y) < box_h and abs(left - t.x) < max(box_w, t.width) for t in placed):
            top += box_h * 1.1
        placed.append(
            Tag(text=line.label, x=left, y=top, width=box_w, height=box_h, font_size=size)
        )
    return tuple(placed)


def overlay_svg(picture: StillPicture, *, href: str, words: str) -> str:
    """Draw a picture with its measured lines.

    Parameters
    ----------
    href : the picture's address, a data URI where the file must stand alone.
    words : what the picture shows, for who cannot see it.

    Returns
    -------
    str : an `<svg>` element that scales with the page.
    """
    stroke = max(picture.width, picture.height) * LINE_WIDTH
    parts = [
        f'<svg class="still" xmlns="http://www.w3.org/2000/svg" role="img"'
        f' viewBox="0 0 {picture.width} {picture.height}" aria-label="{escape(words)}">',
        f'<image href="{escape(href)}" width="{picture.width}" height="{picture.height}"/>',
    ]
    # References first: a measured line is never hidden by what it is measured against.
    for line in sorted(picture.lines, key=lambda one: one.role == "measured"):
        points = " ".join(f"{x:.1f},{y:.1f}" for x, y in line.points)
        measured = line.role == "measured"
        core = stroke if measured else stroke * 0.6
        dash = "" if measured else f' stroke-dasharray="{stroke * 2:.1f} {stroke * 1.6:.1f}"'
        shape = f'<polyline points="{points}" fill="none" stroke-linecap="round"'
        parts.append(
            f'{shape} stroke="{CASING}" stroke-opacity="0.85"'
            f' stroke-width="{core * 1.9:.1f}"{dash}/>'
        )
        colour = MEASURED if measured else REFERENCE
        parts.append(f'{shape} stroke="{colour}" stroke-width="{core:.1f}"{dash}/>')
        if measured:
            for x, y in line.points:
                parts.append(
                    f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{stroke:.1f}" fill="{MEASURED}"'
                    f' stroke="{CASING}" stroke-width="{stroke * 0.45:.1f}"/>'
                )
    for tag in place_tags(picture.lines, picture.width, picture.height):
        parts.append(
            f'<rect x="{tag.x:.1f}" y="{tag.y:.1f}" width="{tag.width:.1f}"'
            f' height="{tag.height:.1f}" rx="{tag.height * 0.14:.1f}" fill="{PAPER}"/>'
            f'<text x="{tag.x + tag.width / 2:.1f}" y="{tag.y + tag.height * 0.71:.1f}"'
            f' text-anchor="middle" font-family="Source Serif Pro, Georgia, serif"'
            f' font-weight="600" font-size="{tag.font_size:.1f}" fill="{CASING}">'
            f"{escape(tag.text)}</text>"
        )
    parts.append("</svg>")
    return "".join(parts)
