"""A wheel built from the tree holds every package and its data; nobody is shipped half a program."""

from __future__ import annotations

import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("dispatch", "tariffs")
BUILD = "from setuptools.build_meta import build_wheel; print(build_wheel('built'))"


def shipped(tree: Path) -> set[str]:
    """Return what a wheel made from a tree installs."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", BUILD], cwd=tree, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    with zipfile.ZipFile(next((tree / "built").glob("*.whl"))) as wheel:
        return {name for name in wheel.namelist() if ".dist-info/" not in name}


def expected() -> set[str]:
    return {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for kind in ("*.py", "*.csv", "*.html", "*.css", "*.js", "py.typed")
        for path in (ROOT / package).rglob(kind)
    }


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    for package in PACKAGES:
        shutil.copytree(ROOT / package, tmp_path / package, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, tmp_path)
    return tmp_path


def test_a_wheel_holds_every_package(tree: Path) -> None:
    assert len(expected()) > 100
    assert shipped(tree) == expected()


@pytest.mark.parametrize(
    ("include", "missing"),
    [
        ('["dispatch", "tariffs*"]', "dispatch/program/solver.py"),
        ('["dispatch*"]', "tariffs/py.typed"),
    ],
)
def test_a_missing_package_would_be_seen(include: str, missing: str, tree: Path) -> None:
    project = tree / "pyproject.toml"
    text = project.read_text(encoding="utf-8")
    assert 'include = ["dispatch*", "tariffs*"]' in text
    project.write_text(text.replace('["dispatch*", "tariffs*"]', include), encoding="utf-8")
    assert missing in expected() - shipped(tree)


def test_every_folder_of_modules_is_a_package() -> None:
    """Without its `__init__` a folder is found by no build."""
    folders = {path.parent for package in PACKAGES for path in (ROOT / package).rglob("*.py")}
    assert len(folders) > 15
    assert [folder for folder in sorted(folders) if not (folder / "__init__.py").is_file()] == []
