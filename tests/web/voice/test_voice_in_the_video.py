"""The coach's voice, recorded in a real Chromium with a made-up microphone, found in the video.

Chromium plays a sound file as its microphone. The times that the video is held against are taken
in the page by this test, beside the recorder: when the browser says that the recording began, and
when the microphone's own signal was heard.
"""

import time

import av
import numpy as np
import pytest
from sqlalchemy import select

from lessonmark.lessons.record import Passage
from lessonmark.pack.loudness import TARGET_LUFS, measure_loudness_lufs, read_voice
from lessonmark.pack.take import read_take
from lessonmark.pack.video_backgrounds import PAIR_TOP
from lessonmark.pack.video_take import PAIR_HEIGHT

pytestmark = pytest.mark.browser
RATE_HZ = 48000

STEP_ON_TONE = """async () => {
  // At the tone's first sample that is heard: step to P6.
  const context = new AudioContext();
  const analyser = context.createAnalyser();
  analyser.fftSize = 256;
  context.createMediaStreamSource(window.heard).connect(analyser);
  const samples = new Float32Array(analyser.fftSize);
  const end = performance.now() + 10000;
  while (performance.now() < end) {
    analyser.getFloatTimeDomainData(samples);
    if (samples.some(one => Math.abs(one) > 0.1)) {
      const tone = performance.now();
      document.body.dispatchEvent(new KeyboardEvent('keydown', { key: '6', bubbles: true }));
      await context.close();
      return { tone: (tone - window.begun) / 1000 };
    }
    await new Promise(done => setTimeout(done, 2));
  }
  throw new Error('no tone was heard');
}"""


def glass_box(page):
    glass = page.locator(".glass").first
    glass.scroll_into_view_if_needed()
    return glass.bounding_box()


FRAME_IS = "n => document.querySelector('.pane canvas').dataset.frame === String(n)"


def frame_drawn(page, key, recorder):
    """Step to a position; gives the frame that is drawn there."""
    page.keyboard.press(key)
    frame = page.evaluate(
        """async name => {
          const look = await (await fetch('/swings/1/look.json')).json();
          const index = await (await fetch(look.frames + '.json')).json();
          const away = index.times.map(s => Math.abs(s - look.positions[name].s));
          return away.indexOf(Math.min(...away));
        }""",
        f"P{key}",
    )
    recorder.until(page, FRAME_IS, frame)
    return frame


def shown_frame(half, crop_of):
    """Read the burnt-in number back from a half picture of the video; the crop is the log's."""
    left, top, _, bottom = crop_of
    scale = half.shape[0] / (bottom - top)
    number = 0
    for bit in range(10):
        x = round((bit * 16 + 8 - left) * scale)
        y = round((8 - top) * scale)
        number += int(half[y, x].mean() > 128) << bit
    return number


def decoded(path, seconds):
    """Decode the video's picture at each of some moments."""
    found = []
    wanted = sorted(seconds)
    with av.open(str(path)) as video:
        for frame in video.decode(video=0):
            while wanted and frame.time >= wanted[0] - 1e-6:
                found.append(frame.to_ndarray(format="rgb24"))
                wanted.pop(0)
            if not wanted:
                return found
    raise AssertionError(f"the video ends before {wanted}")


def tone_starts(path, tone):
    """Find when the tone is heard, s: the power around its frequency in 10 ms steps."""
    sound = read_voice(path)[0].astype(float)
    t = np.arange(sound.size) / RATE_HZ
    step = RATE_HZ // 100
    turned = sound * np.exp(-2j * np.pi * tone.hz * t)
    power = np.abs(turned[: turned.size // step * step].reshape(-1, step).mean(axis=1))
    loud = power > 0.3 * power.max()
    return np.flatnonzero(loud & ~np.roll(loud, 1)) / 100


def make_pack(page):
    """Press the one button and wait for the new pack; gives the seconds that it took."""
    page.goto("/lessons/1/pack")
    began = time.monotonic()
    page.get_by_role("button", name="Make the pack").first.click()
    page.wait_for_selector("#pack-work[data-busy=yes]")
    page.wait_for_selector("#pack-work[data-busy=no]", state="attached", timeout=50_000)
    page.wait_for_selector(".ready", timeout=1_000)
    return time.monotonic() - began


def test_what_is_said_and_shown_is_in_the_video_at_its_time(
    page, judged, record, tmp_path, recorder, tone
):
    recorder.open(page, "/swings/1?beside=4&at=side_bend@P6")
    page.locator("[data-do=whole]").click()
    at_p6 = frame_drawn(page, "6", recorder)
    at_p4 = frame_drawn(page, "4", recorder)
    recorder.start(page)
    seen = page.evaluate(STEP_ON_TONE)
    recorder.until(page, FRAME_IS, at_p6)
    page.keyboard.press("d")
    box = glass_box(page)
    page.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + 0.8 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.7 * box["width"], box["y"] + 0.8 * box["height"], steps=8)
    page.mouse.up()
    drawn_s = page.evaluate("(performance.now() - window.begun) / 1000")
    time.sleep(0.4)
    page.keyboard.press("c")
    wiped_s = page.evaluate("(performance.now() - window.begun) / 1000")
    time.sleep(0.4)
    assert recorder.stop(page) == "Kept as the last passage."
    make_pack(page)
    path = tmp_path / "review.mp4"
    path.write_bytes(page.request.get("/lessons/1/pack/files/review.mp4").body())

    with av.open(str(path)) as video:
        chapters = {one["metadata"]["title"]: one["start"] / 1000 for one in video.chapters()}
    begins = chapters["Side bend at P6"]
    # The tone is where it was spoken. 0.12 s: less than the 0.125 s by which sound may come late
    # before anyone notices (ITU-R BT.1359-1, from memory).
    tones = tone_starts(path, tone)
    assert len(tones) == 1
    assert tones[0] - begins == pytest.approx(seen["tone"], abs=0.12)
    # EBU R 128: -23 LUFS; the aim of the project is within 1 LU.
    assert measure_loudness_lufs(read_voice(path)) == pytest.approx(TARGET_LUFS, abs=1.0)
    # The step that the tone set off is shown with it, to 0.12 s.
    with record.reading() as session:
        take = read_take(session.scalars(select(Passage.take)).one())
    crop = take.shown[0].left.crop
    moments = [tones[0] - 0.12, tones[0] + 0.12, begins + drawn_s + 0.1, begins + wiped_s + 0.1]
    before, after, drawn, wiped = (
        picture[PAIR_TOP : PAIR_TOP + PAIR_HEIGHT] for picture in decoded(path, moments)
    )
    assert shown_frame(before[:, :540], crop) == at_p4
    assert shown_frame(after[:, :540], crop) == at_p6
    assert shown_frame(after[:, 540:], crop) == at_p6  # locked to the same position
    # The stroke is there, in its place and its colour, until it was wiped.
    x, y = round(0.5 * 540), round(0.8 * 720)
    assert is_yellow(drawn[y, x])
    assert is_yellow(drawn[y, x - 80])
    assert not is_yellow(drawn[y, x - 130])
    assert not is_yellow(before[y, x])
    assert not is_yellow(wiped[y, x])


def is_yellow(pixel):
    red, green, blue = pixel.astype(int)
    return bool(red > 190 and green > 180 and blue < 140)
