"""Measure what reading clips costs and how well strikes are timed.

    python bench/media.py [--clips FOLDER]

FOLDER holds clips with a truth file of the same name beside each (`clip_00.mp4`, `clip_00.json`
with `sound_at_camera_time`); without it the demo lesson and `demo/truth.json` are used.

First table: processor time a picture, one core's worth, the best of three readings. `decode` is
the library alone, the rest is what this package adds to it.

Second table: for every clip its own sound and sounds with wind, voices and neighbours' strikes
added (RMS in full scale; the strike's own is about 0.35), some through AAC once more. `found`: a
strike within 5 ms of the truth was among the candidates. `others`: further candidates a clip.
"""

from __future__ import annotations

import argparse
import io
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import av
import numpy as np

from lessonmark.media import ClipInfo, find_strikes, probe_clip, read_frames, read_sound
from noises import Samples, neighbours, voices, wind

DEMO = Path(__file__).parent.parent / "demo"
FOUND_S = 0.005
Spoil = Callable[[Samples, float, np.random.Generator], Samples]


def mixed(windy: float = 0.0, voiced: float = 0.0, near: float = 0.0, strike: float = 1.0) -> Spoil:
    def spoil(x: Samples, rate: float, rng: np.random.Generator) -> Samples:
        n = len(x)
        noise = windy * wind(n, rate, rng) + voiced * voices(n, rate, rng)
        return np.clip(strike * x + noise + near * neighbours(n, rate, rng), -1, 1)

    return spoil


def through_aac(x: Samples, rate: float, kbit: int) -> Samples:
    file = io.BytesIO()
    with av.open(file, "w", format="mp4") as container:
        stream = container.add_stream("aac", rate=round(rate), layout="mono")
        stream.bit_rate = 1000 * kbit
        for at in range(0, len(x), 1024):
            frame = av.AudioFrame.from_ndarray(
                x[None, at : at + 1024].astype(np.float32), "fltp", "mono"
            )
            frame.sample_rate, frame.pts = round(rate), at
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    file.seek(0)
    with av.open(file) as container:
        heard = [frame.to_ndarray()[0] for frame in container.decode(audio=0)]
    return np.concatenate(heard)[: len(x)].astype(np.float64)


def aac_after(spoil: Spoil, kbit: int) -> Spoil:
    return lambda x, rate, rng: through_aac(spoil(x, rate, rng), rate, kbit)


SPOILS: dict[str, Spoil] = {
    "as it is": mixed(),
    "wind 0.1": mixed(windy=0.1),
    "wind 0.4, clipped": mixed(windy=0.4),
    "voices 0.1": mixed(voiced=0.1),
    "voices 0.3, clipped": mixed(voiced=0.3),
    "4 neighbours": mixed(near=1.0),
    "all three": mixed(windy=0.2, voiced=0.1, near=1.0),
    "all three, AAC 96 kbit/s": aac_after(mixed(windy=0.2, voiced=0.1, near=1.0), 96),
    "all three, strike -12 dB": mixed(windy=0.2, voiced=0.1, near=0.5, strike=0.25),
}


def clips_with_truth(folder: Path | None) -> Iterator[tuple[ClipInfo, float]]:
    if folder is None:
        truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
        for name, about in sorted(truth.items()):
            yield probe_clip(DEMO / "lesson" / name), about["sound_at_camera_time"]
        return
    for path in sorted(folder.rglob("*.mp4")):
        about = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        if about.get("sound_at_camera_time") is not None:
            declared = about.get("fps_declared")
            yield probe_clip(path, fps_declared=declared), about["sound_at_camera_time"]


def decode_cost(clip: ClipInfo, read: Callable[[ClipInfo], int]) -> float:
    """Processor ms a picture, best of three."""
    best = float("inf")
    for _ in range(3):
        start = time.process_time()
        count = read(clip)
        best = min(best, 1e3 * (time.process_time() - start) / count)
    return best


def bare(clip: ClipInfo) -> int:
    with av.open(str(clip.path)) as container:
        container.streams.video[0].thread_type = "AUTO"
        return sum(1 for _ in container.decode(video=0))


READINGS: dict[str, Callable[[ClipInfo], int]] = {
    "decode": bare,
    "RGB": lambda clip: sum(1 for _ in read_frames(clip)),
    "grey": lambda clip: sum(1 for _ in read_frames(clip, grey=True)),
    "RGB, half height": lambda clip: sum(1 for _ in read_frames(clip, max_height=clip.height // 2)),
}


def print_costs(clips: list[ClipInfo]) -> None:
    print("| clip | " + " | ".join(READINGS) + " |")
    print("| --- |" + " --- |" * len(READINGS))
    seen = set()
    for clip in clips:
        kind = (clip.width, clip.height, clip.codec, clip.pixel_format, clip.rotation_deg)
        if kind in seen:
            continue
        seen.add(kind)
        name = f"{clip.width} x {clip.height}, {clip.codec}, {clip.pixel_format}"
        name += f", turned {clip.rotation_deg}" if clip.rotation_deg else ""
        costs = [f"{decode_cost(clip, read):.2f}" for read in READINGS.values()]
        print(f"| {name} | " + " | ".join(costs) + " |")


def print_onsets(truths: list[tuple[ClipInfo, float]]) -> None:
    sounds = [(read_sound(clip), truth) for clip, truth in truths]
    heard = [(sound, truth) for sound, truth in sounds if sound is not None]
    print(
        "| sound | found | bias ms | RMS ms | worst ms | within 1 ms | in 1 se | in 2 se | others |"
    )
    print("| --- |" + " --- |" * 8)
    for name, spoil in SPOILS.items():
        errors, ses, others = [], [], 0
        for seed, (sound, truth) in enumerate(heard):
            rng = np.random.default_rng(seed)
            samples = spoil(sound.samples.astype(np.float64), sound.rate_hz, rng)
            strikes = find_strikes(replace(sound, samples=samples.astype(np.float32)))
            nearest = min(strikes, key=lambda strike: abs(strike.s - truth), default=None)
            others += len(strikes)
            if nearest is not None and abs(nearest.s - truth) < FOUND_S:
                errors.append(1e3 * (nearest.s - truth))
                ses.append(1e3 * nearest.se_s)
                others -= 1
        e, se = np.array(errors), np.array(ses)
        size = np.abs(e)
        row = [
            f"{len(e)} of {len(heard)}",
            f"{e.mean():+.2f}",
            f"{np.sqrt(np.mean(e**2)):.2f}",
            f"{size.max():.2f}",
            f"{np.mean(size < 1):.0%}",
            f"{np.mean(size < se):.0%}",
            f"{np.mean(size < 2 * se):.0%}",
            f"{others / len(heard):.1f}",
        ]
        print(f"| {name} | " + " | ".join(row) + " |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--clips", type=Path, help="a folder of clips with a truth file each")
    truths = list(clips_with_truth(parser.parse_args().clips))
    print("Processor time a picture, ms\n")
    print_costs([clip for clip, _ in truths])
    print(f"\nOnset of the strike in {len(truths)} clips\n")
    print_onsets(truths)


if __name__ == "__main__":
    main()
