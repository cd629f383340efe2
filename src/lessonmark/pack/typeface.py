"""The one typeface of sheet, paper, card and video, so that all four look like one record.

Source Serif Pro (SIL Open Font License 1.1) comes whole from a package; nothing is subset or
renamed, as its licence asks.
"""

from __future__ import annotations

import base64
from functools import cache
from importlib import resources
from pathlib import Path

import vl_convert
from PIL import ImageFont

__all__ = ["FAMILY", "STACK", "font_face_css", "font_folder", "know_the_typeface", "text_width"]

FAMILY = "Source Serif Pro"
# Read where the embedded file cannot be: an old mail viewer, or the charts on their own.
STACK = f"'{FAMILY}', 'Source Serif 4', Charter, Georgia, serif"
_FACES = (("SourceSerifPro-Regular.ttf", 400), ("SourceSerifPro-Semibold.ttf", 600))


def font_folder() -> Path:
    """Give the folder that holds the font files."""
    return Path(str(resources.files("font_source_serif_pro") / "files"))


@cache
def font_face_css() -> str:
    """Write the `@font-face` rules with the fonts inside, about 0.6 MB."""
    rules = []
    for name, weight in _FACES:
        data = base64.b64encode((font_folder() / name).read_bytes()).decode("ascii")
        rules.append(
            f"@font-face{{font-family:'{FAMILY}';font-weight:{weight};font-style:normal;"
            f"font-display:swap;src:url(data:font/ttf;base64,{data}) format('truetype')}}"
        )
    return "\n".join(rules)


@cache
def know_the_typeface() -> None:
    """Give the chart and SVG renderer the typeface, once; without it words would be left out."""
    vl_convert.register_font_directory(str(font_folder()))


def text_width(words: str, size: float, *, strong: bool = False) -> float:
    """Measure how wide words are set in the typeface, in the unit of `size`."""
    return _face(strong).getlength(words) * size / _MEASURED_AT


_MEASURED_AT = 100  # px, so that rounding to pixels does not matter


@cache
def _face(strong: bool) -> ImageFont.FreeTypeFont:
    name = _FACES[1 if strong else 0][0]
    return ImageFont.truetype(str(font_folder() / name), _MEASURED_AT)
