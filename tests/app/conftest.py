"""The page, driven without a browser; recovery copies go to a folder of the test's own."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import pytest
from streamlit.components.v2 import manifest_scanner
from streamlit.testing.v1 import AppTest

from chamberctl.resources import resource_folder
from chamberctl.study.recovery import FOLDER_VARIABLE

APP = str(resource_folder("app"))
if APP not in sys.path:
    sys.path.insert(0, APP)  # as the page's server does


@pytest.fixture(scope="session", autouse=True)
def _installed_once() -> Iterator[None]:
    """Look once for components among the packages installed, not for every page that is opened."""
    with pytest.MonkeyPatch.context() as patch:
        looked = cache(manifest_scanner.scan_component_manifests)
        patch.setattr(manifest_scanner, "scan_component_manifests", looked)
        yield


@pytest.fixture(autouse=True)
def data_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "data"
    monkeypatch.setenv(FOLDER_VARIABLE, str(folder))
    return folder


@pytest.fixture
def open_page(monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Open the page on a study, in a view, with more of the address where it is given."""

    def opened(study: str = "", view: str = "", section: str = "", **address: str) -> AppTest:
        monkeypatch.setattr("sys.argv", ["workbench.py", *([study] if study else [])])
        page = AppTest.from_file(str(resource_folder("app") / "workbench.py"), default_timeout=60)
        for name, value in address.items():
            page.query_params[name] = value
        if view:
            page.query_params["view"] = view
        if section:
            page.session_state["section"] = section
        page.run()
        assert not page.exception
        return page

    return opened
