"""The smallest lesson that a pack can be made from: an invented player, pictures drawn here."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import av
import numpy as np
import pytest

from lessonmark.lessons.findings import Findings
from lessonmark.pack.video import FPS
from lessonmark.pack.video_plan import Scene

DEMO = Path(__file__).parents[2] / "demo"


def _builder() -> ModuleType:
    name = "pack_builder"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name("builder.py"))
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture
def make_findings(tmp_path: Path) -> Callable[..., tuple[Findings, Path]]:
    """Build findings and their folder of pictures."""

    def make(**options: int) -> tuple[Findings, Path]:
        pictures = tmp_path / "pictures"
        pictures.mkdir(exist_ok=True)
        built: Findings = _builder().build_findings(pictures, **options)
        return built, pictures

    return make


@pytest.fixture(scope="session")
def start_of() -> Callable[..., float]:
    """Say when the first scene of a kind begins in the video, s."""

    def start(scenes: Iterable[Scene], kind: str) -> float:
        at = 0.0
        for scene in scenes:
            if scene.kind == kind:
                return at
            at += round(scene.duration_s * FPS) / FPS
        raise AssertionError(kind)

    return start


@pytest.fixture(scope="session")
def picture_at() -> Callable[..., np.ndarray]:
    """Read a video's picture at a second."""

    def picture(path: Path, second: float) -> np.ndarray:
        with av.open(str(path)) as container:
            for frame in container.decode(video=0):
                if frame.time >= second - 1e-6:
                    return frame.to_ndarray(format="rgb24")
        raise AssertionError(second)

    return picture


@pytest.fixture(scope="module")
def filmed(findings_and_pictures: tuple[Findings, Path]) -> tuple[Findings, Path]:
    """One focus measure with the demo's real clips behind it."""
    findings, pictures = findings_and_pictures
    made: Findings = _builder().film(findings, pictures, DEMO)
    return replace(made, focus=made.focus[:1]), pictures


@pytest.fixture(scope="session")
def findings_and_pictures(tmp_path_factory: pytest.TempPathFactory) -> tuple[Findings, Path]:
    """Five swings before, three drilled, five after; not to be written to."""
    pictures = tmp_path_factory.mktemp("lesson") / "pictures"
    pictures.mkdir()
    return _builder().build_findings(pictures), pictures
