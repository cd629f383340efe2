"""A clip as a pack of still pictures, so that any browser can show one exact frame.

A video element finds a time, not a frame, and takes as long as the distance to the last key frame
wants. A pack is one file of JPEG pictures, one a frame, end to end, and a JSON file that says
where each starts and when it was shown: the viewer asks for one byte range and draws it.

    <first 16 digits of the clip's hash>.frames   the pictures
    <first 16 digits of the clip's hash>.json     the index, written last
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from fractions import Fraction
from pathlib import Path

import av
import av.video.codeccontext
import av.video.frame
import numpy as np
from av.video.reformatter import ColorRange, Colorspace, Interpolation, VideoReformatter

from lessonmark.errors import UnreadableClip
from lessonmark.language import say
from lessonmark.media.clip import ClipInfo
from lessonmark.media.container import refuse
from lessonmark.media.decode import Decoded, decode_frames
from lessonmark.media.planes import eight_bits, turn_planes

__all__ = ["Proxy", "read_proxy", "write_proxy"]

FORMAT = "lessonmark-frames-1"
MAX_HEIGHT = 1280  # px; a laptop's screen shows no more of a portrait clip
QUALITY = 4  # of FFmpeg's 2 (best) to 31; at 4 a shaft's edge keeps its place


@dataclass(frozen=True, kw_only=True)
class Proxy:
    """A pack of pictures of one clip, and where each lies in it."""

    path: Path  # the pictures
    sha256: str  # the clip's
    width: int  # px, of the pictures
    height: int
    scale: float  # picture px a clip px
    index: tuple[int, ...]  # each picture's index in the clip
    s: tuple[float, ...]  # each picture's time on the clip's clock, real seconds
    start: tuple[int, ...]  # byte at which each picture starts, and one more: the file's end
    whole: bool  # False where the clip broke off before its last picture

    def nearest(self, s: float) -> int:
        """Place in the pack of the picture nearest to `s`."""
        return min(range(len(self.s)), key=lambda i: abs(self.s[i] - s))

    def jpeg(self, place: int) -> bytes:
        """Read one picture's bytes.

        Raises
        ------
        IndexError : there is no such place.
        """
        if not 0 <= place < len(self.s):
            raise IndexError(place)
        with self.path.open("rb") as file:
            file.seek(self.start[place])
            return file.read(self.start[place + 1] - self.start[place])


def write_proxy(
    clip: ClipInfo,
    folder: Path,
    *,
    start_s: float | None = None,
    stop_s: float | None = None,
    max_height: int = MAX_HEIGHT,
) -> Proxy:
    """Write a clip's pack into `folder`, streaming; a killed run leaves no index behind.

    Parameters
    ----------
    start_s, stop_s : what the viewer needs, real seconds; None for the clip's ends.
    max_height : px; higher clips are shrunk.

    Raises
    ------
    UnreadableClip : not one picture could be read. A clip that breaks off later is packed so far.
    OSError : the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures, index_file = _paths(folder, clip)
    index_file.unlink(missing_ok=True)  # an older index would not fit the new pictures
    scale = min(1.0, max_height / clip.height)
    size = (max(2, round(clip.width * scale)), max(2, round(clip.height * scale)))
    places: list[int] = []
    times: list[float] = []
    starts = [0]
    whole = True
    partial = pictures.with_suffix(".partial")
    with partial.open("wb") as file:
        try:
            for decoded, jpeg in _jpegs(clip, start_s, stop_s, size):
                file.write(jpeg)
                places.append(decoded.index)
                times.append(round(decoded.s, 6))
                starts.append(starts[-1] + len(jpeg))
        except UnreadableClip:
            if not places:
                raise
            whole = False
    os.replace(partial, pictures)
    proxy = Proxy(
        path=pictures,
        sha256=clip.sha256,
        width=size[0],
        height=size[1],
        scale=scale,
        index=tuple(places),
        s=tuple(times),
        start=tuple(starts),
        whole=whole,
    )
    described = {"format": FORMAT, **asdict(proxy), "path": pictures.name}
    partial.write_text(json.dumps(described), encoding="utf-8")
    os.replace(partial, index_file)
    return proxy


def read_proxy(clip: ClipInfo, folder: Path) -> Proxy | None:
    """Find a clip's pack; None where there is none, or none that is whole and of this format."""
    pictures, index_file = _paths(folder, clip)
    try:
        described = json.loads(index_file.read_text(encoding="utf-8"))
        if described.pop("format") != FORMAT or described["sha256"] != clip.sha256:
            return None
        for key in ("index", "s", "start"):
            described[key] = tuple(described[key])
        proxy = Proxy(**{**described, "path": pictures})
        return proxy if pictures.stat().st_size == proxy.start[-1] else None
    except (OSError, ValueError, KeyError, TypeError, IndexError):
        return None  # it can always be written again


def _paths(folder: Path, clip: ClipInfo) -> tuple[Path, Path]:
    stem = clip.sha256[:16]
    return folder / f"{stem}.frames", folder / f"{stem}.json"


def _jpegs(
    clip: ClipInfo, start_s: float | None, stop_s: float | None, size: tuple[int, int]
) -> Iterator[tuple[Decoded, bytes]]:
    """Encode each picture as JPEG without a detour by RGB."""
    converter = VideoReformatter()
    encoder = _encoder(size)
    for decoded in decode_frames(clip, start_s=start_s, stop_s=stop_s):
        upright = turn_planes(eight_bits(decoded.frame), decoded.orientation)
        if upright is None:
            rgb = decoded.orientation.apply(
                np.asarray(decoded.frame.to_ndarray(format="rgb24"), np.uint8)
            )
            upright = av.video.frame.VideoFrame.from_ndarray(rgb, format="rgb24")
        picture = converter.reformat(
            upright,
            width=size[0],
            height=size[1],
            format="yuvj420p",
            dst_colorspace=Colorspace.ITU601,  # JFIF 1.02
            dst_color_range=ColorRange.JPEG,
            interpolation=Interpolation.BILINEAR,
            threads=1,
        )
        picture.pts = decoded.index
        picture.time_base = Fraction(1, 1000)
        packets = encoder.encode(picture)
        if not packets:
            raise refuse(
                clip.path,
                say("a picture could not be packed for the viewer"),
                say("export the clip from the phone as H.264 and try again"),
                second=decoded.s,
            )
        yield decoded, b"".join(bytes(packet) for packet in packets)


def _encoder(size: tuple[int, int]) -> av.video.codeccontext.VideoCodecContext:
    encoder = av.CodecContext.create("mjpeg", "w")
    assert isinstance(encoder, av.video.codeccontext.VideoCodecContext)
    encoder.width, encoder.height = size
    encoder.pix_fmt = "yuvj420p"
    encoder.time_base = Fraction(1, 1000)
    encoder.thread_count = 1  # with more, pictures come out late
    encoder.qmin = encoder.qmax = QUALITY
    encoder.options = {"huffman": "default"}
    return encoder
