"""The coach's voice, recorded in a real Chromium with a made-up microphone, found in the video.

Chromium plays a sound file as its microphone. The times that the video is held against are taken
in the page by this test, beside the recorder: when the browser says that the recording began, and
when the microphone's own signal was heard.
"""

import os
import shutil
import time
import wave
from dataclasses import dataclass

import av
import numpy as np
import pytest
from sqlalchemy import select

from lessonmark.lessons.record import Lesson, Passage
from lessonmark.pack.loudness import TARGET_LUFS, measure_loudness_lufs, read_voice
from lessonmark.pack.take import SwingRef, Take, read_take, take_json
from lessonmark.pack.video_backgrounds import PAIR_TOP
from lessonmark.pack.video_take import PAIR_HEIGHT

sync_api = pytest.importorskip("playwright.sync_api")

CHROMIUM = os.environ.get("LESSONMARK_CHROMIUM") or shutil.which("chromium") or ""
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not CHROMIUM, reason="there is no Chromium on this machine"),
]
RATE_HZ = 48000
TONE_HZ = 700.0
TONE_AT_S, TONE_S = 2.0, 0.25
LONG_S = 15.0  # before the sound begins again: longer than a passage of these tests

WATCH = """
// Beside the recorder: the stream that it was given, and when the browser began to record it.
const given = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
navigator.mediaDevices.getUserMedia = async wish => (window.heard = await given(wish));
const start = MediaRecorder.prototype.start;
MediaRecorder.prototype.start = function (...more) {
  this.addEventListener('start', () => { window.begun = performance.now(); });
  return start.apply(this, more);
};
"""
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


@pytest.fixture(scope="session")
def microphone(tmp_path_factory):
    """Write silence with one short tone; Chromium plays it in a loop."""
    t = np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ
    heard = (t >= TONE_AT_S) & (t < TONE_AT_S + TONE_S)
    sound = 0.5 * np.sin(2 * np.pi * TONE_HZ * t) * heard
    path = tmp_path_factory.mktemp("microphone") / "tones.wav"
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes((sound * 32767).astype("<i2").tobytes())
    return path


@pytest.fixture(scope="module")
def chromium(microphone):
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-background-networking",
                "--use-fake-device-for-media-stream",
                "--use-fake-ui-for-media-stream",
                f"--use-file-for-fake-audio-capture={microphone}",
            ],
        )
        yield browser
        browser.close()


@pytest.fixture
def page(page):
    """The usual page, with the microphone's stream and the moment of recording noted."""
    page.add_init_script(WATCH)
    return page


def until(page, condition, arg=None, timeout_s=30.0):
    """Wait for a condition; `wait_for_function` needs 'unsafe-eval', which the pages forbid."""
    end = time.monotonic() + timeout_s
    while not page.evaluate(condition, arg):
        assert time.monotonic() < end, condition
        time.sleep(0.02)


def open_recorder(page, address):
    page.goto(address)
    page.wait_for_selector("#viewer[data-ready=yes]", timeout=30_000)
    page.wait_for_selector("#voice[data-ready=yes]", state="attached")
    if page.locator("#voice").get_attribute("open") is None:
        page.locator("#voice > summary").click()


def start(page):
    page.keyboard.press("r")
    page.wait_for_selector("#viewer[data-recording=yes]")


def stop(page):
    takes = page.evaluate("Number(document.querySelector('#voice').dataset.takes ?? 0)")
    page.keyboard.press("r")
    until(page, "n => Number(document.querySelector('#voice').dataset.takes ?? 0) > n", takes)
    return page.locator("#voice-told").inner_text()


def glass_box(page):
    glass = page.locator(".glass").first
    glass.scroll_into_view_if_needed()
    return glass.bounding_box()


FRAME_IS = "n => document.querySelector('.pane canvas').dataset.frame === String(n)"


def frame_drawn(page, key):
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
    until(page, FRAME_IS, frame)
    return frame


@pytest.fixture
def judged(record, analyser, lesson, coach):
    """A lesson with a focus, judged, its pictures cut; before the pages are served."""
    coach.post(
        "/lessons/1/focus",
        {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]},
    )
    coach.work()
    return 1


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


def tone_starts(path):
    """Find when the tone is heard, s: the power around its frequency in 10 ms steps."""
    sound = read_voice(path)[0].astype(float)
    t = np.arange(sound.size) / RATE_HZ
    step = RATE_HZ // 100
    turned = sound * np.exp(-2j * np.pi * TONE_HZ * t)
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


def test_what_is_said_and_shown_is_in_the_video_at_its_time(page, judged, record, tmp_path):
    open_recorder(page, "/swings/1?beside=4&at=side_bend@P6")
    page.locator("[data-do=whole]").click()
    at_p6 = frame_drawn(page, "6")
    at_p4 = frame_drawn(page, "4")
    start(page)
    seen = page.evaluate(STEP_ON_TONE)
    until(page, FRAME_IS, at_p6)
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
    assert stop(page) == "Kept as the last passage."
    make_pack(page)
    path = tmp_path / "review.mp4"
    path.write_bytes(page.request.get("/lessons/1/pack/files/review.mp4").body())

    with av.open(str(path)) as video:
        chapters = {one["metadata"]["title"]: one["start"] / 1000 for one in video.chapters()}
    begins = chapters["Side bend at P6"]
    # The tone is where it was spoken. 0.12 s: less than the 0.125 s by which sound may come late
    # before anyone notices (ITU-R BT.1359-1, from memory).
    tones = tone_starts(path)
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


def test_one_passage_recorded_again_leaves_the_others(page, judged, record):
    open_recorder(page, "/swings/1?beside=4&at=side_bend@P6")
    for key in ("1", "4", "7"):
        page.keyboard.press(key)
        start(page)
        time.sleep(0.6)
        stop(page)
    first = kept(record)
    assert len(first) == 3
    assert page.locator("#passages audio").count() == 3
    page.get_by_role("button", name="Record passage 2 again").click()
    page.keyboard.press("9")
    start(page)
    time.sleep(1.2)
    assert stop(page).startswith("Kept in place of the old recording.")
    second = kept(record)
    assert (second[0], second[2]) == (first[0], first[2])
    assert second[1].id == first[1].id
    assert second[1].sound != first[1].sound
    assert second[1].s == pytest.approx(page_position(page, "P9"), abs=0.01)
    assert second[1].duration_s == pytest.approx(1.2, abs=0.5)
    files = {path.name for path in record.files.folder.rglob("voice/*")}
    assert files == {one.sound for one in second}
    # The pack's page leads back to the swings, with the passage chosen.
    page.goto("/lessons/1/pack")
    page.get_by_role("link", name="Record passage 3 again").click()
    page.wait_for_selector("#voice[data-ready=yes][open]")
    assert page.locator("#voice-told").inner_text().startswith("The next recording takes the place")
    assert page.locator("[data-again][aria-pressed=true]").get_attribute("data-again") == str(
        first[2].id
    )
    # Another order, and one less, from the pack's page without a script.
    page.goto("/lessons/1/pack")
    page.get_by_role("button", name="Passage 3 earlier").click()
    assert [one.id for one in kept(record)] == [first[0].id, first[2].id, first[1].id]
    page.get_by_label("Remove passage 1").click()
    page.get_by_role("button", name="Remove for good").first.click()
    page.wait_for_url("**/pack#passages")
    assert [one.id for one in kept(record)] == [first[2].id, first[1].id]


def page_position(page, name):
    look = page.request.get("/swings/1/look.json").json()
    return look["positions"][name]["s"]


def kept(record):
    with record.reading() as session:
        return [
            Kept(
                id=row.id,
                sound=row.sound,
                duration_s=row.duration_s,
                s=read_take(row.take).shown[0].left.s,
            )
            for row in session.get_one(Lesson, 1).passages
        ]


@dataclass(frozen=True)
class Kept:
    """A passage as it stands in the record."""

    id: int
    sound: str
    duration_s: float
    s: float


def test_a_passage_that_could_not_be_sent_is_still_there(chromium, served, judged, record):
    context = chromium.new_context(base_url=served, viewport={"width": 1366, "height": 900})
    page = context.new_page()
    open_recorder(page, "/swings/1?beside=4")
    page.route(
        "**/passages",
        lambda route: route.abort() if route.request.method == "POST" else route.continue_(),
    )
    start(page)
    time.sleep(0.5)
    assert "The recording is still here" in stop(page)
    assert kept(record) == []
    page.unroute("**/passages")
    page.get_by_role("button", name="Send again").click()
    until(page, "document.querySelector('#voice-told').textContent.startsWith('Kept')")
    assert len(kept(record)) == 1
    context.close()


def test_the_longest_passage_ends_by_itself_and_is_kept(page, judged, record):
    open_recorder(page, "/swings/1?beside=4")
    page.evaluate("document.querySelector('#voice').dataset.longestS = '0.8'")
    start(page)
    until(page, "document.querySelector('#voice-told').textContent.includes('stopped and kept')")
    until(page, "document.querySelectorAll('#passages audio').length === 1")
    assert kept(record)[0].duration_s == pytest.approx(0.9, abs=0.4)


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1366, "light")])
def test_recorder_and_pack_pass_the_accessibility_rules(
    chromium, served, judged, record, width, scheme
):
    axe_api = pytest.importorskip("axe_playwright_python.sync_playwright")
    rules = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}}
    with record.writing() as session:
        lesson = session.get_one(Lesson, 1)
        lesson.passages = [a_passage(1), a_passage(2)]
        made = record.files.lesson_folder(lesson.uid) / "pack" / "lesson-2026-05-04"
    made.mkdir(parents=True)
    for name in ("review.mp4", "page-a4.pdf", "card.png", "sheet.html", "message.txt"):
        (made / name).write_text("Hello")
    context = chromium.new_context(
        base_url=served, viewport={"width": width, "height": 844}, color_scheme=scheme
    )
    page = context.new_page()
    for address in ("/lessons/1/pack", "/swings/1?beside=4#voice"):
        page.goto(address)
        if "voice" in address:
            page.wait_for_selector("#voice[data-ready=yes]", state="attached")
        page.wait_for_load_state("networkidle")
        found = axe_api.Axe().run(page, options=rules)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


def a_passage(rank):
    take = Take(
        focus=None,
        audio=None,
        duration_s=1.0,
        swings=(SwingRef(clip_sha256="0" * 64, number=1),),
        shown=(),
    )
    return Passage(rank=rank, duration_s=1.0, caption="", sound="", take=take_json(take))


def test_a_page_without_a_microphone_says_what_to_do_and_goes_on(chromium, served, judged, record):
    context = chromium.new_context(base_url=served, viewport={"width": 1366, "height": 900})
    # As a browser does whose user said no.
    context.add_init_script(
        "navigator.mediaDevices.getUserMedia = async () => {"
        " throw new DOMException('no', 'NotAllowedError'); };"
    )
    page = context.new_page()
    open_recorder(page, "/swings/1?beside=4")
    page.keyboard.press("r")
    until(page, "document.querySelector('#voice-told').textContent.includes('Allow it')")
    assert page.locator("#viewer").get_attribute("data-recording") in (None, "no")
    page.get_by_label("Without voice").check()
    start(page)
    page.keyboard.press("7")
    page.locator("[data-do=ghost]").click()
    time.sleep(0.4)
    assert stop(page) == "Kept as the last passage."
    assert [one.sound for one in kept(record)] == [""]
    # What lay over the first swing is in the log: the second one, where it stood.
    with record.reading() as session:
        last = read_take(session.scalars(select(Passage.take)).one()).shown[-1]
    assert last.left.ghost.s == last.right.s
    assert last.right.ghost is None
    context.close()
