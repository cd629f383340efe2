"""The smallest lesson that a pack can be made from: an invented player, pictures drawn here."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from lessonmark.lessons.findings import Findings


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
def findings_and_pictures(tmp_path_factory: pytest.TempPathFactory) -> tuple[Findings, Path]:
    """Five swings before, three drilled, five after; not to be written to."""
    pictures = tmp_path_factory.mktemp("lesson") / "pictures"
    pictures.mkdir()
    return _builder().build_findings(pictures), pictures
