"""Make harder copies of clips whose truth is known, with their truth adjusted. By hand.

    python bench/harder.py OUT [--clips FOLDER] [--kinds low-bitrate,uneven,...]

Every copy is `OUT/<kind>/<clip>.mp4` with `<clip>.json` beside it: the source's truth with times,
pixels and per-frame lists changed as the copy wants, and `harder` naming what was done. Where the
copy's container plays slower than it was filmed, `fps_declared` says the true rate; times in the
truth stay real seconds. Without --clips the demo lesson is used.
"""

from __future__ import annotations

import argparse
import copy
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from scipy.signal import resample_poly

from lessonmark.media import ClipInfo, probe_clip, read_frames, read_sound
from noises import neighbours, voices, wind

DEMO = Path(__file__).parent.parent / "demo"
TICKS = 90_000
RATE = 48_000
Truth = dict[str, Any]
Pictures = Iterable[tuple[float, np.ndarray]]


@dataclass
class Copy:
    """A clip on its way to being harder: pictures stream, sound and truth are small."""

    clip: ClipInfo
    pictures: Pictures  # (time shown in the container, upright RGB)
    truth: Truth
    sound: np.ndarray | None  # 48 kHz
    crf: int = 20
    codec: str = "libx264"
    pixel_format: str = "yuv420p"
    turn_deg: int = 0  # stored turned by this, with the display matrix that undoes it


def pictured(change: Callable[[np.ndarray, int], np.ndarray]) -> Callable[[Pictures], Pictures]:
    def changed(pictures: Pictures) -> Iterator[tuple[float, np.ndarray]]:
        for index, (s, image) in enumerate(pictures):
            yield s, change(image, index)

    return changed


def per_frame(truth: Truth, keep: Callable[[list[Any]], list[Any]]) -> Truth:
    """Change every list that has one entry a picture, wherever it stands in the truth."""
    n = truth["n_frames"]

    def walk(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: walk(inner) for key, inner in value.items()}
        return keep(value) if isinstance(value, list) and len(value) == n else value

    changed: Truth = walk(truth)
    changed["n_frames"] = len(keep(list(range(n))))
    for position in changed.get("positions", {}).values():
        position.pop("frame", None)  # no longer time x rate
    return changed


def move_pixels(truth: Truth, point: Callable[[float, float], list[float]]) -> None:
    for name, path in truth.get("joints2d", {}).items():
        truth["joints2d"][name] = [point(u, v) for u, v in path]


def low_bitrate(job: Copy, rng: np.random.Generator) -> Copy:
    return replace(job, crf=36)


def uneven(job: Copy, rng: np.random.Generator) -> Copy:
    """Lose one picture in five, as a phone in dim light does: the time stamps still tell."""
    kept = rng.random(job.truth["n_frames"]) > 0.2
    kept[0] = True

    def fewer(pictures: Pictures) -> Iterator[tuple[float, np.ndarray]]:
        return (shown for shown, keep in zip(pictures, kept, strict=False) if keep)

    truth = per_frame(job.truth, lambda x: [v for v, keep in zip(x, kept, strict=True) if keep])
    return replace(job, pictures=fewer(job.pictures), truth=truth)


def turned(job: Copy, rng: np.random.Generator) -> Copy:
    return replace(job, turn_deg=90)


def dim(job: Copy, rng: np.random.Generator) -> Copy:
    def darker(image: np.ndarray, index: int) -> np.ndarray:
        noise = rng.normal(0, 5, image.shape[:2])[..., None]
        return np.clip(0.3 * image + noise, 0, 255).astype(np.uint8)

    return replace(job, pictures=pictured(darker)(job.pictures))


def blurred(job: Copy, rng: np.random.Generator) -> Copy:
    soft = pictured(lambda image, index: cv2.GaussianBlur(image, (0, 0), 2.0))
    return replace(job, pictures=soft(job.pictures))


def cropped(job: Copy, rng: np.random.Generator) -> Copy:
    """Cut 15 % off the left and 10 % off the top, so that the camera's axis is off the middle."""
    x, y = round(0.15 * job.clip.width) // 2 * 2, round(0.10 * job.clip.height) // 2 * 2
    truth = copy.deepcopy(job.truth)
    move_pixels(truth, lambda u, v: [u - x, v - y])
    camera = truth["camera"]
    camera["cx"], camera["cy"] = camera["cx"] - x, camera["cy"] - y
    camera["width"], camera["height_px"] = job.clip.width - x, job.clip.height - y
    smaller = pictured(lambda image, index: np.ascontiguousarray(image[y:, x:]))
    return replace(job, pictures=smaller(job.pictures), truth=truth)


def slowed(job: Copy, rng: np.random.Generator) -> Copy:
    """Play at 30 what was filmed faster; the sound is stretched with it, as a tape would."""
    factor = round(job.clip.fps_filmed / 30)
    slower = ((s * factor, image) for s, image in job.pictures)
    sound = None if job.sound is None else resample_poly(job.sound, factor, 1)
    truth = {**job.truth, "fps_declared": job.clip.fps_filmed}
    return replace(job, pictures=slower, truth=truth, sound=sound)


def mirrored(job: Copy, rng: np.random.Generator) -> Copy:
    """A selfie camera's picture, with nothing in the file that says so."""
    truth = copy.deepcopy(job.truth)
    move_pixels(truth, lambda u, v: [job.clip.width - u, v])
    truth["camera"]["sign_u"] = -truth["camera"].get("sign_u", 1.0)
    truth["mirrored"] = True
    flipped = pictured(lambda image, index: np.ascontiguousarray(image[:, ::-1]))
    return replace(job, pictures=flipped(job.pictures), truth=truth)


def second_person(job: Copy, rng: np.random.Generator) -> Copy:
    """Paste the clip's own golfer, at 0.6 of its size and half a second late, beside the first.

    The golfer is what differs from the median picture and, where the truth has joints, what lies
    within them. A moving camera's clip is no source for this.
    """
    every = max(1, job.truth["n_frames"] // 15)
    background = np.median([f.image for f in read_frames(job.clip, every=every)], axis=0)
    width, height = round(0.6 * job.clip.width), round(0.6 * job.clip.height)
    empty = cv2.resize(background.astype(np.uint8), (width, height), interpolation=cv2.INTER_AREA)
    # Feet a little higher, as of somebody farther away; cut off at the picture's left edge.
    left, top = -round(0.3 * width), round(0.25 * job.clip.height)
    late = read_frames(job.clip)
    waiting = round(0.5 * job.clip.fps_filmed)
    held: list[tuple[np.ndarray, np.ndarray]] = []
    joints = [
        path
        for name, path in job.truth.get("joints2d", {}).items()
        if not any(thing in name for thing in ("club", "ball", "grip", "shaft", "butt", "hosel"))
    ]

    def pasted(image: np.ndarray, index: int) -> np.ndarray:
        if index >= waiting or not held:
            frame = next(late)
            small = cv2.resize(frame.image, (width, height), interpolation=cv2.INTER_AREA)
            differs = (cv2.absdiff(small, empty).max(axis=2) > 30).astype(np.float32)
            if joints:
                points = np.array([0.6 * np.array(path[frame.index]) for path in joints])
                hull = cv2.convexHull(points.astype(np.int32))
                cv2.fillConvexPoly(differs, hull, 1.0)
                cv2.polylines(differs, [hull], True, 1.0, thickness=max(3, width // 30))
            whole = cv2.morphologyEx(differs, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
            held[:] = [(small[:, -left:], cv2.GaussianBlur(whole, (0, 0), 1)[:, -left:, None])]
        small, share = held[0]
        out = image.copy()
        at = np.s_[top : top + height, : width + left]
        out[at] = (share * small + (1 - share) * out[at]).astype(np.uint8)
        return out

    return replace(job, pictures=pictured(pasted)(job.pictures))


def ten_bits(job: Copy, rng: np.random.Generator) -> Copy:
    return replace(job, codec="libx265", pixel_format="yuv420p10le")


def loud_range(job: Copy, rng: np.random.Generator) -> Copy:
    if job.sound is None:
        return job
    n = len(job.sound)
    noise = 0.2 * wind(n, RATE, rng) + 0.1 * voices(n, RATE, rng) + neighbours(n, RATE, rng)
    return replace(job, sound=np.clip(job.sound + noise, -1, 1))


def muted(job: Copy, rng: np.random.Generator) -> Copy:
    sound = None if job.sound is None else np.zeros_like(job.sound)
    return replace(job, sound=sound, truth={**job.truth, "sound_at_camera_time": None})


def two_swings(job: Copy, rng: np.random.Generator) -> Copy:
    """The swing, and the same swing again: `swings` lists both, `events` stay the first's."""
    shift = job.clip.duration_s
    again = ((f.s + shift, f.image) for f in read_frames(job.clip))

    def both() -> Iterator[tuple[float, np.ndarray]]:
        yield from job.pictures
        yield from again

    truth = per_frame(job.truth, lambda x: x + x)
    swings = []
    for later in (0.0, shift):
        swing = {"events": {p: t + later for p, t in truth["events"].items()}}
        for key in ("impact_time", "sound_at_camera_time"):
            swing[key] = truth[key] + later
        swings.append(swing)
    if "timestamps" in truth:
        n = len(truth["timestamps"]) // 2
        truth["timestamps"] = [t + shift * (i >= n) for i, t in enumerate(truth["timestamps"])]
    sound = job.sound
    if sound is not None:
        first = np.zeros(round(shift * RATE))
        first[: len(sound)] = sound[: len(first)]
        sound = np.concatenate([first, sound])
    return replace(job, pictures=both(), truth={**truth, "swings": swings}, sound=sound)


KINDS: dict[str, Callable[[Copy, np.random.Generator], Copy]] = {
    "low-bitrate": low_bitrate,
    "uneven": uneven,
    "turned": turned,
    "hevc-10-bit": ten_bits,
    "dim": dim,
    "blurred": blurred,
    "cropped": cropped,
    "slowed": slowed,
    "mirrored": mirrored,
    "second-person": second_person,
    "loud-range": loud_range,
    "muted": muted,
    "two-swings": two_swings,
}


def write_copy(job: Copy, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    options = {"video_track_timescale": str(TICKS)}
    with av.open(str(path), "w", options=options) as container:
        rate = Fraction(job.clip.fps_filmed).limit_denominator(1001)
        video = container.add_stream(job.codec, rate=rate)
        video.pix_fmt, video.options = job.pixel_format, {"preset": "veryfast"}
        if job.codec == "libx265":
            video.options |= {"x265-params": f"crf={job.crf}:log-level=none", "preset": "ultrafast"}
        else:
            video.options |= {"crf": str(job.crf)}
        video.time_base = video.codec_context.time_base = Fraction(1, TICKS)
        if job.turn_deg:
            video.set_display_rotation(job.turn_deg)
        audio = None
        if job.sound is not None:
            audio = container.add_stream("aac", rate=RATE, layout="mono")
            audio.bit_rate = 128_000
        for index, (s, image) in enumerate(job.pictures):
            stored = np.ascontiguousarray(np.rot90(image, -job.turn_deg // 90))
            if index == 0:
                video.height, video.width = stored.shape[:2]
            frame = av.VideoFrame.from_ndarray(stored, "rgb24")
            frame.pts, frame.time_base = round(s * TICKS), Fraction(1, TICKS)
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
        if audio is not None and job.sound is not None:
            for at in range(0, len(job.sound), 1024):
                block = job.sound[None, at : at + 1024].astype(np.float32)
                sound = av.AudioFrame.from_ndarray(block, "fltp", "mono")
                sound.sample_rate, sound.pts = RATE, at
                container.mux(audio.encode(sound))
            container.mux(audio.encode(None))


def sources(folder: Path | None) -> Iterator[tuple[str, ClipInfo, Truth]]:
    if folder is None:
        for name, truth in json.loads((DEMO / "truth.json").read_text("utf-8")).items():
            yield name.removesuffix(".mp4"), probe_clip(DEMO / "lesson" / name), truth
        return
    for path in sorted(folder.rglob("*.mp4")):
        truth = json.loads(path.with_suffix(".json").read_text("utf-8"))
        yield str(path.relative_to(folder).with_suffix("")), probe_clip(path), truth


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--clips", type=Path, help="a folder of clips with a truth file each")
    parser.add_argument("--kinds", default=",".join(KINDS), help="which, with commas between")
    chosen = parser.parse_args()
    for seed, (name, clip, truth) in enumerate(sources(chosen.clips)):
        for kind in chosen.kinds.split(","):
            sound = read_sound(clip)
            job = Copy(
                clip=clip,
                pictures=((frame.s, frame.image) for frame in read_frames(clip)),
                truth=copy.deepcopy(truth),
                sound=None if sound is None else sound.samples.astype(np.float64),
            )
            job = KINDS[kind](job, np.random.default_rng(seed))
            path = chosen.out / kind / f"{name}.mp4"
            write_copy(job, path)
            about = {**job.truth, "harder": kind}
            path.with_suffix(".json").write_text(json.dumps(about), "utf-8")
            print(path)


if __name__ == "__main__":
    main()
