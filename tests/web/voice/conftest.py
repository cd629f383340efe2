"""A microphone that plays a sound file, and the recorder of the viewer, in a real Chromium."""

import os
import shutil
import time
import wave
from dataclasses import dataclass

import numpy as np
import pytest

CHROMIUM = os.environ.get("LESSONMARK_CHROMIUM") or shutil.which("chromium") or ""
RATE_HZ = 48000
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


@dataclass(frozen=True)
class Tone:
    """The one sound that the microphone hears in a loop."""

    hz: float = 700.0
    at_s: float = 2.0
    s: float = 0.25


@pytest.fixture(scope="session")
def tone():
    return Tone()


@pytest.fixture(scope="session")
def microphone(tmp_path_factory, tone):
    """Write silence with one short tone; Chromium plays it in a loop."""
    t = np.arange(round(LONG_S * RATE_HZ)) / RATE_HZ
    heard = (t >= tone.at_s) & (t < tone.at_s + tone.s)
    sound = 0.5 * np.sin(2 * np.pi * tone.hz * t) * heard
    path = tmp_path_factory.mktemp("microphone") / "tones.wav"
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE_HZ)
        out.writeframes((sound * 32767).astype("<i2").tobytes())
    return path


@pytest.fixture(scope="module")
def chromium(microphone):
    if not CHROMIUM:
        pytest.skip("there is no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
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


class Recorder:
    """What a coach does with the recorder of the viewer."""

    @staticmethod
    def until(page, condition, arg=None, timeout_s=30.0):
        """Wait for a condition; `wait_for_function` needs 'unsafe-eval', which the pages forbid."""
        end = time.monotonic() + timeout_s
        while not page.evaluate(condition, arg):
            assert time.monotonic() < end, condition
            time.sleep(0.02)

    @staticmethod
    def open(page, address):
        page.goto(address)
        page.wait_for_selector("#viewer[data-ready=yes]", timeout=30_000)
        page.wait_for_selector("#voice[data-ready=yes]", state="attached")
        if page.locator("#voice").get_attribute("open") is None:
            page.locator("#voice > summary").click()

    @staticmethod
    def start(page):
        page.keyboard.press("r")
        page.wait_for_selector("#viewer[data-recording=yes]")

    @staticmethod
    def stop(page):
        takes = page.evaluate("Number(document.querySelector('#voice').dataset.takes ?? 0)")
        page.keyboard.press("r")
        Recorder.until(
            page, "n => Number(document.querySelector('#voice').dataset.takes ?? 0) > n", takes
        )
        return page.locator("#voice-told").inner_text()


@pytest.fixture(scope="session")
def recorder():
    return Recorder


@pytest.fixture
def judged(record, analyser, lesson, coach):
    """A lesson with a focus, judged, its pictures cut; before the pages are served."""
    coach.post(
        "/lessons/1/focus",
        {"measure": ["face-on side_bend@P6"], "direction": ["more"], "smallest": ["3"]},
    )
    coach.work()
    return 1
