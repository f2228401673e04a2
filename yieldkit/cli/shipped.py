"""What ships with the package: the demo crew and the notebooks, in a checkout or a wheel."""

from __future__ import annotations

import shutil
from pathlib import Path

import yieldkit
from yieldkit.errors import CrewError

_PACKAGE = Path(yieldkit.__file__).parent


def demo_folder() -> Path:
    """Folder of the demo crew as shipped."""
    return _shipped("_demo", "data/demo")


def notebooks_folder() -> Path:
    """Folder of the notebooks as shipped."""
    return _shipped("_notebooks", "notebooks")


def copy_notebooks(folder: Path) -> list[Path]:
    """Copy the notebooks into ``folder/notebooks``; one that is there already stays as it is."""
    goal = folder / "notebooks"
    goal.mkdir(parents=True, exist_ok=True)
    made = []
    for notebook in sorted(notebooks_folder().glob("*.ipynb")):
        if not (goal / notebook.name).exists():
            made.append(Path(shutil.copyfile(notebook, goal / notebook.name)))
    return made


def copy_demo(folder: Path) -> Path:
    """Copy the demo crew and the notebooks into a folder that is new or empty.

    Raises
    ------
    CrewError
        If something lies there already.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise CrewError(
            "this folder is there already and not empty",
            file=str(folder),
            remedy="Name another one, for example `yieldkit demo demo-2`, or move it away.",
        )
    shutil.copytree(
        demo_folder(), folder, dirs_exist_ok=True, copy_function=shutil.copyfile
    )  # modes of a read-only installation do not come along
    copy_notebooks(folder)
    return folder


def _shipped(in_wheel: str, in_checkout: str) -> Path:
    for place in (_PACKAGE / in_wheel, _PACKAGE.parent / in_checkout):
        if place.is_dir():
            return place
    raise CrewError(
        f"this installation came without its folder {in_checkout}",
        remedy="Install the package again, from its wheel or its checkout.",
    )
