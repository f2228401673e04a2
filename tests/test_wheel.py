"""The wheel carries what a person needs: demo crew, notebooks, page template."""

import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
builder = pytest.importorskip("hatchling.builders.wheel", reason="hatchling is not installed")


@pytest.fixture(scope="module")
def names(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    (wheel,) = builder.WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"])
    with zipfile.ZipFile(wheel) as made:
        return set(made.namelist())


@pytest.mark.parametrize("path", ["data/demo", "notebooks"])
def test_wheel_holds_demo_and_notebooks_whole(path, names):
    home = {"data/demo": "yieldkit/_demo", "notebooks": "yieldkit/_notebooks"}[path]
    here = [
        p for p in (ROOT / path).rglob("*") if p.is_file() and ".ipynb_checkpoints" not in p.parts
    ]
    assert here
    assert {f"{home}/{p.relative_to(ROOT / path).as_posix()}" for p in here} <= names


def test_wheel_holds_the_page_and_nothing_from_outside_the_package(names):
    assert "yieldkit/review/templates/page.html.j2" in names
    assert "yieldkit/review/templates/page.css" in names
    tops = {name.split("/")[0] for name in names}
    assert tops == {"yieldkit", next(top for top in tops if top.endswith(".dist-info"))}
