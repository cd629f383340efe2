"""Open a clip's file, or say in plain words why it cannot be opened.

Only ordinary recording formats are accepted, and only from the disk: a play list or any other
file that would make the decoder fetch something else is refused.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av
import av.container
import av.error
import av.video.stream

from lessonmark.errors import UnreadableClip
from lessonmark.language import say

__all__ = ["open_clip", "origin_s", "picture_stream", "refuse"]

FORMATS = (
    "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,"  # what cameras and phones write
    "mp3,wav,ogg,flac,aac"  # known, so that sound alone can be refused as such
)
SNIFFED_BYTES = 4096
PIXELS_MAX = 50_000_000  # 8K has 33 million


def refuse(path: Path, what: str, do: str, *, second: float | None = None) -> UnreadableClip:
    """Make the error for a clip that cannot be read; both sentences are already said."""
    return UnreadableClip(what, path=path, do=do, second=second)


@contextmanager
def open_clip(path: Path) -> Iterator[av.container.InputContainer]:
    """Open a recording for reading.

    Raises
    ------
    UnreadableClip : no such file, a folder, an empty file, a text, a file cut short before its
        index, or bytes that are no recording.
    """
    _check_file(path)
    try:
        container = av.open(
            f"file:{path}",  # never taken for another protocol, whatever its name
            options={"protocol_whitelist": "file", "format_whitelist": FORMATS},
            metadata_errors="replace",
        )
    except (av.error.FFmpegError, ValueError) as err:
        raise _explain(path) from err
    with container:
        yield container


def picture_stream(
    container: av.container.InputContainer, path: Path
) -> av.video.stream.VideoStream:
    """Give the stream of moving pictures; a cover picture of a song is none.

    Raises
    ------
    UnreadableClip : sound only, or neither sound nor picture.
    """
    for stream in container.streams.video:
        if not stream.disposition & av.stream.Disposition.attached_pic:
            if stream.codec_context is None:
                raise refuse(
                    path,
                    say("the video is stored in a way that this program cannot decode"),
                    say("export it from the phone as H.264 or HEVC"),
                )
            _check_size(stream, path)
            return stream
    if container.streams.audio:
        raise refuse(
            path,
            say("the file holds sound but no picture"),
            say("choose the video of the swing; a sound recording cannot be measured"),
        )
    raise refuse(
        path,
        say("the file holds no picture"),
        say("choose the video of the swing"),
    )


def _check_size(stream: av.video.stream.VideoStream, path: Path) -> None:
    """Refuse pictures that would fill the memory, by what the file says and by what it holds."""
    if stream.width * stream.height > PIXELS_MAX:
        raise refuse(
            path,
            say("its pictures are larger than any camera's"),
            say("choose the video of the swing, or export it at 4K or less"),
        )
    # The decoder itself keeps to it: a picture may be larger than its file's head says.
    stream.codec_context.options = {"max_pixels": str(PIXELS_MAX)}


def origin_s(container: av.container.InputContainer) -> float:
    """Container time at which the clip's clock reads 0, s.

    A recording whose streams all start late (a broadcast-style transport stream) starts at 0 for
    its player; a stream that starts before 0 (an encoder's run-in) does not move the clock.
    """
    return max(0.0, (container.start_time or 0) / av.time_base)


def _check_file(path: Path) -> None:
    if not path.exists():
        raise refuse(path, say("there is no such file"), say("check the name and the folder"))
    if path.is_dir():
        raise refuse(
            path, say("this is a folder, not a video"), say("name one of the videos inside it")
        )
    if path.stat().st_size == 0:
        raise refuse(
            path,
            say("the file is empty"),
            say("copy it from the phone again and wait until the copy has finished"),
        )
    with path.open("rb") as file:
        start = file.read(SNIFFED_BYTES)
    if _is_text(start):
        raise refuse(
            path,
            say("this is a text file, whatever its name says"),
            say("choose the video itself"),
        )


def _is_text(start: bytes) -> bool:
    """Whether the bytes read as text; no recording format starts with printable text alone."""
    if b"\0" in start:
        return False
    try:
        text = start.decode("utf-8")
    except UnicodeDecodeError as err:
        if err.start < len(start) - 4:  # more than a character cut at the end
            return False
        text = start[: err.start].decode("utf-8")
    return all(char.isprintable() or char.isspace() for char in text)


def _explain(path: Path) -> UnreadableClip:
    """Say why the decoder would not open a file that is there and is no text."""
    boxes = dict(_top_boxes(path))
    if "ftyp" in boxes or "mdat" in boxes or "wide" in boxes:
        if "moov" not in boxes:
            return refuse(
                path,
                say("the video is cut short: its index, which is written last, is missing"),
                say("copy it from the phone again and wait until the copy has finished"),
            )
        return refuse(
            path,
            say("the video's index is damaged"),
            say("copy it from the phone again"),
        )
    return refuse(
        path,
        say("this is no video that can be read"),
        say("export it from the phone as MP4 or MOV"),
    )


def _top_boxes(path: Path) -> Iterator[tuple[str, int]]:
    """List the top boxes of an ISO base media file (ISO/IEC 14496-12, 4.2): type, size.

    Stops quietly at the first thing that is no box.
    """
    size = path.stat().st_size
    at = 0
    with path.open("rb") as file:
        while at + 8 <= size:
            file.seek(at)
            head = file.read(16)
            (length,) = struct.unpack(">I", head[:4])
            if not head[4:8].isascii():
                return
            kind = head[4:8].decode("ascii")
            if length == 1 and len(head) == 16:  # a 64-bit size follows
                (length,) = struct.unpack(">Q", head[8:16])
            elif length == 0:  # to the end of the file
                length = size - at
            if length < 8:
                return
            yield kind, length
            at += length
