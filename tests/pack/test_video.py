"""The review video plays on a phone and shows what the sheet shows."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from lessonmark.errors import PackError
from lessonmark.pack.coach_words import CoachWords, PlanLine
from lessonmark.pack.video import FPS, write_video
from lessonmark.pack.video_backgrounds import PAIR_TOP
from lessonmark.pack.video_plan import plan_scenes
from lessonmark.pack.video_take import PAIR_HEIGHT

DEMO = Path(__file__).parents[2] / "demo"
WORDS = CoachWords(plan=(PlanLine(drill="Brush past the noodle", dose="3 sets of 8"),))


@pytest.fixture(scope="module")
def review(filmed, tmp_path_factory):
    findings, pictures = filmed
    told: list[float] = []
    made = write_video(
        findings,
        tmp_path_factory.mktemp("video") / "review.mp4",
        folder=DEMO / "lesson",
        pictures=pictures,
        words=WORDS,
        progress=told.append,
    )
    assert told == sorted(told)
    assert told[-1] == 1.0
    return made


def test_any_phone_plays_it(review):
    """H.264 High 4.1 and AAC-LC in MP4 with the index first: what phones' own players document."""
    with av.open(str(review.path)) as container:
        picture, sound = container.streams.video[0], container.streams.audio[0]
        assert (picture.codec_context.name, picture.profile) == ("h264", "High")
        assert (picture.width, picture.height, picture.pix_fmt) == (1080, 1920, "yuv420p")
        assert float(picture.average_rate) == FPS
        assert (sound.codec_context.name, sound.profile, sound.rate) == ("aac", "LC", 48000)
        lengths = [float(s.duration * s.time_base) for s in (picture, sound)]
    assert lengths == pytest.approx([review.duration_s] * 2, abs=0.05)
    data = review.path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")


def test_chapters_follow_the_lesson(review):
    with av.open(str(review.path)) as container:
        chapters = container.chapters()
    titles = [chapter["metadata"]["title"] for chapter in chapters]
    assert titles == ["The lesson", "The whole swing", "Side bend at P6", "What next"]
    assert chapters[0]["start"] == 0
    assert [c["end"] for c in chapters[:-1]] == [c["start"] for c in chapters[1:]]


def test_captions_come_with_it_as_text(review, filmed):
    with av.open(str(review.path)) as container:
        texts = [
            rect.dialogue.decode()
            for packet in container.demux(container.streams.subtitles[0])
            if packet.size
            for rect in packet.decode()
        ]
    assert filmed[0].focus[0].sentence in texts
    assert texts == [scene.caption for scene in plan_scenes(filmed[0])]


def test_passage_ends_on_the_very_still_that_the_sheet_shows(review, filmed, start_of, picture_at):
    findings, pictures = filmed
    scenes = plan_scenes(findings)
    last = picture_at(review.path, start_of(scenes, "hold") - 1 / FPS)
    pair = last[PAIR_TOP : PAIR_TOP + PAIR_HEIGHT]
    for half, side in enumerate(scenes[3].sides):
        still = cv2.imread(str(pictures / side.still.jpeg))[:, :, ::-1]
        still = cv2.resize(still, (540, 720), interpolation=cv2.INTER_AREA)
        shown = pair[:, 540 * half + 4 : 540 * half + 536]
        # One frame of a quarter-speed passage before it: the golfer has hardly moved.
        difference = np.abs(shown.astype(int) - still[:, 4:536].astype(int)).mean()
        assert difference < 6
        assert np.abs(np.roll(still, 12, axis=1)[:, 4:536].astype(int) - shown).mean() > difference


def test_hold_draws_the_measured_line(review, filmed, start_of, picture_at):
    scenes = plan_scenes(filmed[0])
    held = picture_at(review.path, start_of(scenes, "hold") + 1.0)
    x, y = (360 + 380) / 2 * 0.75, PAIR_TOP + (560 + 330) / 2 * 0.75
    red, green, blue = held[round(y), round(x)].astype(int)
    assert red > 180
    assert green > 170
    assert blue < 130


@pytest.mark.browser
def test_a_browser_plays_it_from_disk(review):
    from playwright.sync_api import sync_playwright

    page_file = review.path.with_name("player.html")
    page_file.write_text('<video src="review.mp4" muted></video>', encoding="utf-8")
    with sync_playwright() as running:
        browser = running.chromium.launch(
            executable_path="/usr/bin/chromium",
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        page = browser.new_page()
        page.goto(page_file.as_uri())
        seen = page.evaluate(
            """async (at) => {
                const video = document.querySelector("video");
                if (video.readyState < 1)
                    await new Promise((done, failed) => {
                        video.onloadedmetadata = done;
                        video.onerror = () => failed(video.error.message);
                    });
                video.currentTime = at;
                await new Promise((done) => { video.onseeked = done; });
                await video.play();
                video.pause();
                return [video.videoWidth, video.videoHeight, video.duration, video.error];
            }""",
            review.duration_s / 2,
        )
        browser.close()
    page_file.unlink()
    assert seen[:2] == [1080, 1920]
    assert seen[2] == pytest.approx(review.duration_s, abs=0.1)
    assert seen[3] is None


def test_missing_clip_is_said_and_the_old_video_kept(filmed, tmp_path):
    findings, pictures = filmed
    path = tmp_path / "review.mp4"
    path.write_bytes(b"the old video")
    with pytest.raises(PackError, match="no longer be played"):
        write_video(findings, path, folder=tmp_path, pictures=pictures, words=WORDS)
    assert path.read_bytes() == b"the old video"
    assert [p.name for p in tmp_path.iterdir()] == ["review.mp4"]


def test_stopping_leaves_nothing_half_done(filmed, tmp_path):
    def stop(done):
        raise KeyboardInterrupt

    findings, pictures = filmed
    with pytest.raises(KeyboardInterrupt):
        write_video(
            findings,
            tmp_path / "review.mp4",
            folder=DEMO / "lesson",
            pictures=pictures,
            progress=stop,
        )
    assert list(tmp_path.iterdir()) == []
