"""What is inside the wheel, and that an installed wheel works from any folder."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

import chamberctl
from chamberctl.errors import ChamberctlError
from chamberctl.resources import resource_folder

CHECKOUT = Path(__file__).resolve().parent.parent


def run(arguments: list[str], *, folder: Path, **environment: str) -> str:
    done = subprocess.run(
        arguments,
        cwd=folder,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{arguments}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder)]
    run([*build, str(CHECKOUT)], folder=folder)
    (found,) = folder.glob("*.whl")
    return found


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    site = tmp_path_factory.mktemp("site")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    return site


@pytest.mark.parametrize("name", ["app", "presets"])
def test_a_checkout_finds_the_folders_beside_the_package(name: str) -> None:
    assert resource_folder(name) == CHECKOUT / name


def test_a_folder_that_is_missing_is_named() -> None:
    with pytest.raises(ChamberctlError, match=r"'pictures' .* install chamberctl again"):
        resource_folder("pictures")


def test_the_wheel_holds_package_page_and_presets_and_nothing_else(wheel: Path) -> None:
    inside = zipfile.ZipFile(wheel).namelist()
    tops = {name.partition("/")[0] for name in inside}
    assert tops == {"chamberctl", f"chamberctl-{chamberctl.__version__}.dist-info"}
    for folder in ("app", "presets"):
        kept = {
            f"chamberctl/{path.relative_to(CHECKOUT).as_posix()}"
            for path in (CHECKOUT / folder).rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }
        assert kept
        assert kept <= set(inside)


def test_the_version_is_the_same_inside_and_outside(wheel: Path) -> None:
    assert wheel.name.split("-")[1] == chamberctl.__version__


def test_an_installed_wheel_finds_its_folders_from_any_folder(
    installed: Path, tmp_path: Path
) -> None:
    code = "from chamberctl.resources import resource_folder as f; print(f('app'), f('presets'))"
    printed = run([sys.executable, "-c", code], folder=tmp_path, PYTHONPATH=str(installed))
    assert printed.split() == [str(installed / "chamberctl" / name) for name in ("app", "presets")]


@pytest.mark.slow
def test_an_installed_wheel_shows_its_page_from_any_folder(installed: Path, tmp_path: Path) -> None:
    code = """
from streamlit.testing.v1 import AppTest
from chamberctl.resources import resource_folder
page = AppTest.from_file(str(resource_folder("app") / "workbench.py"), default_timeout=120).run()
assert not page.exception, page.exception
print(resource_folder("app"), page.markdown[0].value)
"""
    printed = run(
        [sys.executable, "-c", code], folder=tmp_path, PYTHONPATH=str(installed),
        CHAMBERCTL_DATA=str(tmp_path / "data"),
    )  # fmt: skip
    assert printed.startswith(str(installed / "chamberctl" / "app"))
    assert "Argon-swept crystal furnace" in printed


def test_the_page_has_its_own_settings_wherever_it_is_started(installed: Path) -> None:
    settings = tomllib.loads(
        (installed / "chamberctl" / "app" / ".streamlit" / "config.toml").read_text("utf-8")
    )
    assert settings["server"]["address"] == "127.0.0.1"
    assert settings["browser"]["gatherUsageStats"] is False


def test_the_page_can_be_started_without_a_terminal(wheel: Path) -> None:
    inside = zipfile.ZipFile(wheel)
    (points,) = (name for name in inside.namelist() if name.endswith("entry_points.txt"))
    text = inside.read(points).decode()
    assert "[gui_scripts]\nchamberctl-workbench = chamberctl.cli.workbench:start" in text
