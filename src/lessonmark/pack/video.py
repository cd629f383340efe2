"""The review video: H.264 and AAC in an MP4 that any phone plays, 1080 x 1920.

Captions are burnt in and carried as a text track; every focus measure is a chapter.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.container.output import OutputContainer
from av.subtitles.stream import SubtitleStream
from av.subtitles.subtitle import SubtitleSet
from av.video.frame import PictureType, VideoFrame
from av.video.reformatter import ColorPrimaries, ColorRange, Colorspace, ColorTrc, VideoReformatter
from av.video.stream import VideoStream

from lessonmark.lessons.findings import Findings
from lessonmark.pack.clip_places import ClipPlaces
from lessonmark.pack.coach_words import CoachWords
from lessonmark.pack.loudness import RATE_HZ, level_voice, read_voice, trim_to_target
from lessonmark.pack.said_again import said_again
from lessonmark.pack.video_backgrounds import HEIGHT, PAIR_TOP, WIDTH, background
from lessonmark.pack.video_pictures import pair_pictures
from lessonmark.pack.video_plan import Scene, TakeSource, plan_scenes
from lessonmark.pack.video_take import PAIR_HEIGHT, PAIR_WIDTH

__all__ = ["FPS", "Rendered", "write_video"]

FPS = 30
_PRESET = "veryfast"  # a still page and a small moving part: slower presets save little
_CRF = "21"
_KEYFRAME_S = 2.0  # how far a phone's player must wind back at most
_MS = Fraction(1, 1000)
_AAC_SAMPLES = 1024
_ASS_HEADER = b"""[Script Info]
ScriptType: v4.00+
PlayResX: 1080
PlayResY: 1920

[V4+ Styles]
Format: Name, Fontname, Fontsize, PrimaryColour, SecondaryColour, OutlineColour, BackColour, \
Bold, Italic, Underline, StrikeOut, ScaleX, ScaleY, Spacing, Angle, BorderStyle, Outline, Shadow, \
Alignment, MarginL, MarginR, MarginV, Encoding
Style: Default,Serif,48,&Hffffff,&Hffffff,&H0,&H0,0,0,0,0,100,100,0,0,1,1,0,2,10,10,10,0

[Events]
Format: Layer, Start, End, Style, Name, MarginL, MarginR, MarginV, Effect, Text
"""

Planes = npt.NDArray[np.uint8]  # (height * 3 / 2, width): Y, U, V of 4:2:0 below each other


@dataclass(frozen=True, kw_only=True)
class Rendered:
    """What was made."""

    path: Path
    duration_s: float
    chapters: tuple[str, ...]
    has_voice: bool


def write_video(
    findings: Findings,
    path: Path,
    *,
    folder: ClipPlaces,
    pictures: Path,
    words: CoachWords | None = None,
    takes: Sequence[TakeSource] = (),
    name_on_video: bool = False,
    progress: Callable[[float], None] = lambda done: None,
) -> Rendered:
    """Render the review video.

    Parameters
    ----------
    folder : the lesson's, where its clips are; or each clip's own place.
    pictures : the folder that the findings' JPEGs are in.
    takes : recorded passages; without any the video is silent and speaks by its captions.
    progress : told the share that is done, 0 to 1; what it raises stops the work.

    Raises
    ------
    PackError : a clip, a picture or a recording cannot be read; an older video stays as it was.
    """
    findings = said_again(findings)
    words = words or CoachWords()
    scenes = plan_scenes(findings, takes)
    counts = [max(1, round(scene.duration_s * FPS)) for scene in scenes]
    starts = [sum(counts[:k]) / FPS for k in range(len(scenes))]
    duration_s = sum(counts) / FPS
    voice = _programme(scenes, starts, duration_s)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_name(path.name + ".part")
    try:
        with av.open(
            str(unfinished), "w", format="mp4", options={"movflags": "+faststart"}
        ) as output:
            picture, sound, text = _streams(output)
            output.metadata["title"] = findings.lesson_title
            chapters = _chapters(scenes, starts, duration_s)
            output.set_chapters(chapters)
            output.start_encoding()
            _write_captions(output, text, scenes, [*starts, duration_s])
            mixer = _SoundWriter(output, sound, voice, round(duration_s * RATE_HZ))
            done = 0
            for number, (scene, count) in enumerate(zip(scenes, counts, strict=True)):
                page = background(findings, scenes, number, words, name_on_video)
                canvas = _Canvas(page)
                moving = pair_pictures(scene, where=folder, pictures=pictures, fps=FPS)
                for k, pair in enumerate(moving):
                    if pair is not None:
                        canvas.lay(pair)
                    frame = canvas.frame(done, first=k == 0)
                    output.mux(picture.encode(frame))
                    done += 1
                    if done % 15 == 0:
                        mixer.write_until(done / FPS)
                        progress(done / sum(counts))
                assert k + 1 == count
            mixer.write_until(duration_s)
            output.mux(picture.encode(None))
            output.mux(sound.encode(None))
        unfinished.replace(path)
    finally:
        unfinished.unlink(missing_ok=True)
    progress(1.0)
    return Rendered(
        path=path,
        duration_s=duration_s,
        chapters=tuple(chapter["metadata"]["title"] for chapter in chapters),
        has_voice=voice is not None,
    )


def _streams(output: OutputContainer) -> tuple[VideoStream, AudioStream, SubtitleStream]:
    picture = output.add_stream(
        "libx264",
        rate=FPS,
        options={
            "preset": _PRESET,
            "crf": _CRF,
            "profile": "high",
            "level": "4.1",
            "g": str(round(_KEYFRAME_S * FPS)),
        },
    )
    picture.width, picture.height, picture.pix_fmt = WIDTH, HEIGHT, "yuv420p"
    context = picture.codec_context
    context.color_range = ColorRange.MPEG
    context.colorspace = Colorspace.ITU709
    context.color_primaries = ColorPrimaries.BT709
    context.color_trc = ColorTrc.BT709
    sound = output.add_stream("aac", rate=RATE_HZ, layout="stereo")
    sound.bit_rate = 128_000
    text = output.add_stream("mov_text")
    text.time_base = _MS
    text.codec_context.time_base = _MS
    text.codec_context.subtitle_header = _ASS_HEADER
    return picture, sound, text


def _chapters(
    scenes: Sequence[Scene], starts: Sequence[float], duration_s: float
) -> list[av.container.core.Chapter]:
    begun = [(scene.chapter, at) for scene, at in zip(scenes, starts, strict=True) if scene.chapter]
    ends = [at for _, at in begun[1:]] + [duration_s]
    return [
        {
            "id": number + 1,
            "start": round(at * 1000),
            "end": round(end * 1000),
            "time_base": _MS,
            "metadata": {"title": title},
        }
        for number, ((title, at), end) in enumerate(zip(begun, ends, strict=True))
    ]


def _write_captions(
    output: OutputContainer, text: SubtitleStream, scenes: Sequence[Scene], times: Sequence[float]
) -> None:
    for number, scene in enumerate(scenes):
        if not scene.caption:
            continue
        start, stop = round(times[number] * 1000), round(times[number + 1] * 1000)
        line = scene.caption.replace("\n", " ").replace("{", "(").replace("}", ")")
        event = f"{number},0,Default,,0,0,0,,{line}".encode()
        packet = text.codec_context.encode_subtitle(
            SubtitleSet.create(event, 0, stop - start, pts=start * 1000)
        )
        packet.stream = text
        packet.pts = packet.dts = start
        packet.duration = stop - start
        packet.time_base = _MS
        output.mux(packet)


def _programme(
    scenes: Sequence[Scene], starts: Sequence[float], duration_s: float
) -> npt.NDArray[np.float32] | None:
    """Lay the levelled takes on the video's clock; None where nobody speaks."""
    spoken = [
        (scene.take, at)
        for scene, at in zip(scenes, starts, strict=True)
        if scene.take is not None and scene.take.take.audio is not None
    ]
    if not spoken:
        return None
    programme = np.zeros((2, round(duration_s * RATE_HZ)), np.float32)
    for source, at in spoken:
        assert source.take.audio is not None
        voice = level_voice(read_voice(source.folder / source.take.audio))
        first = round(at * RATE_HZ)
        room = min(voice.shape[1], round(source.take.duration_s * RATE_HZ))
        room = min(room, programme.shape[1] - first)
        programme[:, first : first + room] += voice[:, :room]
    return trim_to_target(programme)


class _Canvas:
    """A page in 4:2:0, with a place for the moving pair."""

    def __init__(self, page: npt.NDArray[np.uint8]) -> None:
        self._reformatter = VideoReformatter()
        self._frame: VideoFrame | None = None
        self._planes = self._yuv(page)
        luma = self._planes[:HEIGHT]
        chroma = self._planes[HEIGHT:].reshape(2, HEIGHT // 2, WIDTH // 2)
        self._luma = luma[PAIR_TOP : PAIR_TOP + PAIR_HEIGHT]
        self._chroma = chroma[:, PAIR_TOP // 2 : (PAIR_TOP + PAIR_HEIGHT) // 2]

    def lay(self, pair: npt.NDArray[np.uint8]) -> None:
        """Put a picture pair into its place."""
        laid = self._yuv(pair)
        self._frame = None
        self._luma[:] = laid[:PAIR_HEIGHT]
        self._chroma[:] = laid[PAIR_HEIGHT:].reshape(2, PAIR_HEIGHT // 2, PAIR_WIDTH // 2)

    def frame(self, number: int, *, first: bool) -> VideoFrame:
        """Give the page as it now stands; a scene's first frame can be jumped to.

        The encoder copies what it is given, so that a page that did not change is given again.
        """
        frame = self._frame
        if frame is None:
            frame = VideoFrame.from_ndarray(self._planes, format="yuv420p")
            frame.time_base = Fraction(1, FPS)
            frame.color_range = ColorRange.MPEG
            frame.colorspace = Colorspace.ITU709
            self._frame = frame
        frame.pts = number
        frame.pict_type = PictureType.I if first else PictureType.NONE
        return frame

    def _yuv(self, rgb: npt.NDArray[np.uint8]) -> Planes:
        frame = self._reformatter.reformat(
            VideoFrame.from_ndarray(np.ascontiguousarray(rgb), format="rgb24"),
            format="yuv420p",
            dst_colorspace=Colorspace.ITU709,
            dst_color_range=ColorRange.MPEG,
        )
        return np.asarray(frame.to_ndarray(), dtype=np.uint8)


class _SoundWriter:
    """Feed the sound along with the pictures, so that the file is well woven."""

    def __init__(
        self,
        output: OutputContainer,
        stream: AudioStream,
        voice: npt.NDArray[np.float32] | None,
        samples: int,
    ) -> None:
        self._output = output
        self._stream = stream
        self._voice = voice
        self._samples = samples
        self._at = 0

    def write_until(self, second: float) -> None:
        """Encode whole AAC frames up to `second`, and the rest at the end."""
        until = min(round(second * RATE_HZ), self._samples)
        while self._at < until and (
            self._at + _AAC_SAMPLES <= until or until == self._samples
        ):  # fmt: skip
            stop = min(self._at + _AAC_SAMPLES, self._samples)
            block = (
                np.zeros((2, stop - self._at), np.float32)
                if self._voice is None
                else np.ascontiguousarray(self._voice[:, self._at : stop])
            )
            frame = AudioFrame.from_ndarray(block, format="fltp", layout="stereo")
            frame.sample_rate = RATE_HZ
            frame.pts = self._at
            frame.time_base = Fraction(1, RATE_HZ)
            self._output.mux(self._stream.encode(frame))
            self._at = stop
