"""Find out what numbers are made with on this machine now."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from enum import Enum
from functools import cache
from importlib import metadata, resources
from pathlib import Path

from lessonmark import __version__
from lessonmark.errors import WeightsMissing
from lessonmark.lessons.clip_settings import ClipSettings
from lessonmark.lessons.made_with import SHORT, MadeWith
from lessonmark.tracks.weights import DETECTOR, FULL, HEAVY, weights_path

__all__ = ["body_version", "clip_version", "judging_version", "made_with", "up_to_date"]

_BODY_CODE = (
    "media",
    "tracks/body.py",
    "tracks/detector.py",
    "tracks/landmarks.py",
    "tracks/network.py",
    "tracks/pace.py",
    "tracks/smoother.py",
    "tracks/dataset.py",
    "tracks/schema.py",
)
_CLIP_CODE = (
    "media",
    "tracks",
    "positions",
    "measures",
    "lessons/clip_analysis.py",
    "lessons/clip_seeing.py",
)
_JUDGING_CODE = (
    "evidence",
    "lessons/judging.py",
    "lessons/analysis.py",
    "lessons/paired_views.py",
    "lessons/chain.py",
    "lessons/own_scatter.py",
    "lessons/together.py",
)
# Those whose arithmetic goes into a clip's numbers.
_LIBRARIES = (
    "ai-edge-litert",
    "av",
    "numpy",
    "opencv-python-headless",
    "scipy",
    "statsmodels",
    "xarray",
)


def made_with(settings: ClipSettings) -> MadeWith:
    """Say what a clip with these settings is measured with now."""
    # The clip's name and stage are the record's business: its numbers do not hang on them.
    told = {
        name: value.value if isinstance(value, Enum) else value
        for name, value in asdict(settings).items()
        if name not in ("clip", "stage")
    }
    return MadeWith(
        software=__version__,
        code=_code(_CLIP_CODE),
        networks=_networks(settings.heavy),
        libraries=_libraries(),
        settings=told,
    )


@cache
def clip_version(*, heavy: bool = False) -> str:
    """Give the version in short that a clip measured now would carry."""
    return MadeWith(
        software=__version__,
        code=_code(_CLIP_CODE),
        networks=_networks(heavy),
        libraries=_libraries(),
        settings={},
    ).version


def up_to_date(*, heavy: bool) -> frozenset[str]:
    """Give the versions that need not be measured again.

    Parameters
    ----------
    heavy : whether this program measures with the larger network. One that does not leaves what
        the larger measured: that is another choice, and no older one.
    """
    larger = clip_version(heavy=True)
    return frozenset({larger} if heavy else {larger, clip_version(heavy=False)})


@cache
def body_version(*, heavy: bool) -> str:
    """Name what a body's track is made with: it outlives a change of the measures."""
    facts = [_code(_BODY_CODE), _networks(heavy), _libraries()]
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


@cache
def judging_version() -> str:
    """Give the version in short of what turns numbers into verdicts."""
    return f"{__version__} j{_code(_JUDGING_CODE)[: SHORT - 1]}"


@cache
def _networks(heavy: bool) -> dict[str, str]:
    found = {}
    for one in (DETECTOR, HEAVY if heavy else FULL):
        try:
            content = weights_path(one).read_bytes()
        except WeightsMissing:  # nothing is measured then; what is shown needs no network
            found[one.file] = one.sha256
            continue
        found[one.file] = hashlib.sha256(content).hexdigest()
    return found


@cache
def _libraries() -> dict[str, str]:
    return {name: metadata.version(name) for name in _LIBRARIES}


@cache
def _code(places: tuple[str, ...]) -> str:
    """Hash the source of the code that a result depends on: new code, new result."""
    whole = hashlib.sha256()
    package = resources.files("lessonmark")
    for place in places:
        root = Path(str(package / place))
        for file in sorted(root.rglob("*")) if root.is_dir() else [root]:
            if file.suffix in (".py", ".json", ".npz", ".onnx"):
                whole.update(file.read_bytes())
    return whole.hexdigest()
