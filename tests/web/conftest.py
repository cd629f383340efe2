"""The pages over a fresh record, with the network replaced by an invented track.

`InventedAnalyser` is a stand-in and says so: it does not look at the picture. It invents a figure
from the clip's hash; everything behind the track (measures, corrections, curves, verdicts, frame
packs, pictures) is the real code.
"""

from __future__ import annotations

import html
import os
import re
import shutil
import socket
import threading
import time
from contextlib import contextmanager
from pathlib import Path

import av
import cv2
import httpx
import numpy as np
import pytest
import uvicorn
import xarray as xr

from lessonmark.lessons.derived import Derived
from lessonmark.lessons.findings import ClipFinding, SwingFinding
from lessonmark.lessons.own_analyser import OwnAnalyser
from lessonmark.lessons.store import open_record
from lessonmark.lessons.swing_source import SwingSource, rebuilt_swing
from lessonmark.measures.measuring import measure_swing
from lessonmark.measures.seen import usual_toward
from lessonmark.media.probe import probe_clip
from lessonmark.positions.times import PositionTime, SwingPositions, Time
from lessonmark.tracks.schema import BODY_KEYPOINTS, CLUB_KEYPOINTS, SCHEMA_VERSION
from lessonmark.tracks.sides import by_lead_trail
from lessonmark.web.app import create_app
from lessonmark.web.settings import WebSettings
from lessonmark.words import Position, View

# Shares of the clip at which the invented figure is at its positions.
SHARES = dict(
    zip(Position, (0.1, 0.25, 0.35, 0.5, 0.56, 0.62, 0.68, 0.73, 0.78, 0.95), strict=True)
)
BITS = 10  # of the frame number in the picture
BLOCK_PX = 16
FPS = 120
CHROMIUM = os.environ.get("LESSONMARK_CHROMIUM") or shutil.which("chromium") or ""
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}}
START_MS = 1_777_888_800_000  # when the first clip of a lesson was filmed
BENDS = {f"IMG_{n}": 6.0 if n < 3 else 26.0 for n in range(6)}  # deg


def write_numbered_clip(
    path: Path, *, frames=60, width=240, height=426, fps=FPS, tint=0, first=0
) -> Path:
    """Write an H.264 clip whose every frame shows its number, as digits and as black-white blocks.

    `tint` changes the picture, so that two clips are never the same file.
    """
    # The same meadow in every clip, so that the camera is seen to have stood still.
    grain = np.random.default_rng(1).integers(0, 60, (height // 6 + 1, width // 6 + 1, 3))
    meadow = np.kron(grain, np.ones((6, 6, 1)))[:height, :width]
    meadow = (meadow + np.array([60, 90, 60])).astype(np.uint8)
    meadow[-40:-20, :20] = tint
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=fps, options={"crf": "12", "preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        for n in range(frames):
            image = meadow.copy()
            for bit in range(BITS):
                value = 255 if (first + n) >> bit & 1 else 0
                image[:BLOCK_PX, bit * BLOCK_PX : (bit + 1) * BLOCK_PX] = value
            cv2.putText(
                image, str(first + n), (10, height // 2), cv2.FONT_HERSHEY_SIMPLEX, 2, (255,) * 3, 3
            )
            for packet in stream.encode(av.VideoFrame.from_ndarray(image, format="rgb24")):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return path


def invented_track(clip, *, bend_deg: float, handedness) -> xr.Dataset:
    """A figure that bends sideways by `bend_deg` at P6 and after, with 2 px of stated error."""
    times = (np.arange(round(clip.duration_s * clip.fps_filmed))) / clip.fps_filmed
    names = [*BODY_KEYPOINTS, *CLUB_KEYPOINTS]
    size = clip.height
    place = {name: np.tile([[clip.width / 2, 0.55 * size]], (len(times), 1)) for name in names}
    bend = np.radians(
        np.interp(times / times[-1], [0, 0.1, 0.5, 0.62, 1], [2, 2, 4, bend_deg, bend_deg])
    )
    hip = np.array([clip.width / 2, 0.6 * size])
    up = np.stack([-np.sin(bend), -np.cos(bend)], axis=1)
    along = np.stack([np.cos(bend), -np.sin(bend)], axis=1)
    shoulder = hip + 0.2 * size * up
    for side, sign in (("left", 1), ("right", -1)):
        place[f"{side}_hip"] = hip + sign * np.array([0.06 * size, 0]) + 0 * up
        place[f"{side}_shoulder"] = shoulder + sign * 0.08 * size * along
        place[f"{side}_ear"] = shoulder + 0.1 * size * up + sign * 0.02 * size * along
        place[f"{side}_eye"] = place[f"{side}_ear"] + 0.01 * size * up
        place[f"{side}_elbow"] = shoulder + 0.06 * size * sign * along + 0.1 * size * -up
        place[f"{side}_wrist"] = shoulder - 0.2 * size * up
        for joint, low in (("knee", 0.76), ("ankle", 0.9), ("heel", 0.91), ("foot_index", 0.92)):
            place[f"{side}_{joint}"] = np.tile(
                [[clip.width / 2 + sign * 0.07 * size, low * size]], (len(times), 1)
            )
    turn = np.interp(
        times / times[-1],
        [0, 0.1, 0.25, 0.5, 0.62, 0.68, 0.73, 1],
        np.radians([-90, -90, -180, -300, -180, -90, 0, 120]),
    )
    shaft = np.stack([np.cos(turn), -np.sin(turn)], axis=1)
    place["grip_butt"] = place["left_wrist"]
    place["grip_mid"] = place["left_wrist"] + 0.02 * size * shaft
    place["clubhead"] = place["left_wrist"] + 0.25 * size * shaft
    position = np.stack([place[name] for name in names], axis=-1)
    cov = np.zeros((len(times), 2, 2, len(names)))
    cov[:, 0, 0], cov[:, 1, 1] = 4.0, 4.0
    track = xr.Dataset(
        {
            "position": (("time", "space", "keypoint"), position),
            "position_cov": (("time", "space", "space_other", "keypoint"), cov),
            "velocity": (
                ("time", "space", "keypoint"),
                np.gradient(position, times, axis=0),
            ),
            "visibility": (("time", "keypoint"), np.ones((len(times), len(names)))),
            "shaft_angle": (("time",), turn),
            "shaft_angle_se": (("time",), np.full(len(times), 0.01)),
            "shaft_rate": (("time",), np.gradient(turn, times)),
            "shaft_seen": (("time",), np.ones(len(times))),
        },
        coords={"time": times, "space": ["x", "y"], "space_other": ["x", "y"], "keypoint": names},
        attrs={"schema_version": SCHEMA_VERSION, "fps": clip.fps_filmed},
    )
    return by_lead_trail(track, handedness)


class InventedAnalyser(OwnAnalyser):
    """Stands in for the pose network; nothing else is replaced."""

    def __init__(self):
        super().__init__()
        self.only = {"side_bend", "pelvis_shift", "tempo", "trunk_lean"}  # None: all
        self.broken: set[str] = set()  # names of clips to fail on
        self.bends: dict[str, float] = {}  # clip's name as it came -> side bend, deg

    def analyse_clip(self, job, tell):
        clip = probe_clip(job.path)
        name = job.clip.split("~")[0]
        if name in self.broken:
            raise RuntimeError("as if something unforeseen had happened")
        spread = int(job.sha256[:4], 16) / 0xFFFF - 0.5
        bend = self.bends.get(name, 10.0) + spread
        tell(0.5)
        track = invented_track(clip, bend_deg=bend, handedness=job.handedness)
        times = track["time"].values
        finding = ClipFinding(
            clip=job.clip,
            sha256=job.sha256,
            stage=job.stage,
            view=job.view or View.FACE_ON,
            fps_filmed=clip.fps_filmed,
            width=clip.width,
            height=clip.height,
            duration_s=clip.duration_s,
            swings=(),
            track=f"clip-{job.sha256[:32]}",
            handedness_seen=job.handedness,
            scale=None,
            camera=None,
            stature_cm=job.stature_cm,
        )
        swing = SwingFinding(
            swing_id=f"{job.clip}#1",
            clip=job.clip,
            number=1,
            stage=job.stage,
            view=finding.view,
            positions=SwingPositions(
                found={
                    p: PositionTime(
                        position=p, time=Time(s=share * times[-1], se=0.002), how="invented"
                    )
                    for p, share in SHARES.items()
                }
            ),
            values={},
            refused={},
            toward=usual_toward(job.handedness),
            ball=None,
            span_s=(0.0, float(times[-1])),
        )
        source = SwingSource(folder=job.derived, clip=finding, swing=swing, track=track)
        values, refused = measure_swing(rebuilt_swing(source), only=self.only)
        swing = _with(swing, values=values, refused=refused)
        finding = _with(finding, swings=(swing,))
        derived = Derived(job.derived)
        derived.keep_track(finding.track, track)
        derived.keep_finding(finding.track, finding)
        tell(1.0)
        return finding


def _with(value, **changes):
    from dataclasses import replace

    return replace(value, **changes)


class Coach:
    """A browser without scripts: follows redirects, sends the page's token along."""

    def __init__(self, app, address):
        self.client = httpx.Client(base_url=address, follow_redirects=True, timeout=60)
        self.app = app

    @property
    def csrf(self):
        page = self.client.get("/import").text
        return re.search(r'name="lessonmark-csrf" content="(\w+)"', page)[1]

    def get(self, path, **more):
        return self.client.get(path, **more)

    def post(self, path, data=None, **more):
        return self.client.post(path, data={"csrf": self.csrf, **(data or {})}, **more)

    def post_json(self, path, body):
        return self.client.post(
            path, json=body, headers={"x-lessonmark-csrf": self.csrf, "accept": "application/json"}
        )

    def send_clip(self, player_id, content, name="IMG_0001.MP4", **query):
        return self.client.post(
            f"/players/{player_id}/clips",
            params={"name": name, **query},
            content=content,
            headers={"x-lessonmark-csrf": self.csrf, "accept": "application/json"},
        )

    def add_player(self, name="Wilma Testerly", **more):
        answer = self.post("/players", {"name": name, "stature_cm": "170", **more})
        assert answer.status_code == 200, answer.text
        return int(str(answer.url).rsplit("/", 1)[1])

    def send_lesson(self, player_id, clips):
        """Send six clips as one lesson, the last three 20 minutes after the first three.

        What bends as `BENDS` says is then found to: 6 degrees at P6 before, and 26 after.
        """
        for n, clip in enumerate(clips):
            minutes = n + (20 if n >= 3 else 0)
            sent = self.send_clip(
                player_id,
                clip.read_bytes(),
                f"IMG_{n}.MP4",
                modified_ms=START_MS + 60_000 * minutes,
            )
            assert sent.status_code == 200, sent.text
        return sent.json()["lesson"]

    @staticmethod
    def words(answer):
        """Read an answer's page without its tags."""
        assert answer.status_code == 200, answer.text
        return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())

    def work(self):
        return self.app.state.desk.workshop.work_through()


@pytest.fixture
def record(tmp_path, request):
    """The record; a test that asks for 'sealed' or 'postgres' gets one that is so."""
    kind = getattr(request, "param", "open")
    if "lesson" in request.fixturenames:
        shutil.copytree(request.getfixturevalue("measured"), tmp_path / "data")
    if kind == "sealed":
        sealer = request.getfixturevalue("sealer")
        sealer.seal(tmp_path / "data")
        opened = sealer.open(tmp_path / "data")
    else:
        server = request.getfixturevalue("postgres_database") if kind == "postgres" else None
        opened = open_record(tmp_path / "data", database=server)
    yield opened
    opened.close()


@pytest.fixture
def analyser():
    return InventedAnalyser()


@pytest.fixture
def bending(analyser):
    """The analyser that finds a lesson of `Coach.send_lesson` to bend."""
    analyser.bends |= BENDS
    return analyser


@pytest.fixture
def app(record, analyser):
    return create_app(record, analyser, WebSettings(), work=False)


@contextmanager
def serving(app):
    """Serve on a real port of this machine; gives the address."""
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False, ws="none"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join(10)
    listening.close()


@pytest.fixture
def coach(app):
    with serving(app) as address:
        visitor = Coach(app, address)
        yield visitor
        visitor.client.close()


@pytest.fixture
def visit(record, analyser):
    """Visit pages that are served with other settings, or `of` another record."""

    @contextmanager
    def open_with(settings, of=record):
        app = create_app(of, analyser, settings, work=False)
        with serving(app) as address:
            visitor = Coach(app, address)
            yield visitor
            visitor.client.close()

    return open_with


@pytest.fixture(scope="session")
def clips(tmp_path_factory):
    """Six small clips, no two alike: three to be 'before', three to be 'after'."""
    folder = tmp_path_factory.mktemp("clips")
    return [write_numbered_clip(folder / f"clip_{n}.mp4", tint=10 * n) for n in range(6)]


@pytest.fixture(scope="session")
def measured(tmp_path_factory, clips):
    """The folder of a record with one measured lesson.

    Three clips bend 6 degrees at P6 and, 20 minutes later, three bend 26 degrees.
    """
    folder = tmp_path_factory.mktemp("measured") / "data"
    record, analyser = open_record(folder), InventedAnalyser()
    app = create_app(record, analyser, WebSettings(), work=False)
    with serving(app) as address:
        coach = Coach(app, address)
        player_id = coach.add_player()
        analyser.bends |= BENDS
        assert (player_id, coach.send_lesson(player_id, clips)) == (1, 1)
        coach.work()
        coach.client.close()
    record.close()
    return folder


@pytest.fixture
def lesson(record, bending):
    """Player and lesson of `measured`, in this test's own copy."""
    return 1, 1


@pytest.fixture
def served(record, analyser):
    """The pages with the background work running; gives the address."""
    with serving(create_app(record, analyser, WebSettings())) as address:
        yield address


@pytest.fixture(scope="module")
def chromium():
    """A real Chromium; skipped where there is none."""
    if not CHROMIUM:
        pytest.skip("there is no Chromium on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield browser
        browser.close()


@pytest.fixture
def page(chromium, served):
    """A page that fails the test on any script error, and on any request to elsewhere."""
    context = chromium.new_context(
        base_url=served, viewport={"width": 1366, "height": 900}, accept_downloads=True
    )
    opened = context.new_page()
    troubles = []
    opened.on("pageerror", lambda error: troubles.append(str(error)))
    opened.on(
        "console",
        lambda message: troubles.append(message.text) if message.type == "error" else None,
    )
    opened.on(
        "request",
        lambda request: (
            None
            if request.url.startswith((served, "blob:", "data:"))
            else troubles.append(f"asked {request.url}")
        ),
    )
    yield opened
    context.close()
    assert troubles == []


@pytest.fixture
def check_accessible():
    """Check a page by axe-core's WCAG 2.1 A and AA rules."""
    from axe_playwright_python.sync_playwright import Axe

    def check(page):
        found = Axe().run(page, options=RULES)
        assert found.violations_count == 0, found.generate_report()

    return check
