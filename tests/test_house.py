"""The house keeps its shape: floors, top level, notebooks without outputs, quiet imports."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "yieldkit"


def test_imports_only_go_down():
    run = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()"],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stdout + run.stderr


def test_only_commands_print_and_nothing_imports_pyplot():
    for path in PACKAGE.rglob("*.py"):
        text = path.read_text("utf-8")
        assert "pyplot" not in re.sub(r'""".*?"""|#.*', "", text, flags=re.S), path
        if "cli" not in path.parts and path.name != "__main__.py":
            assert not re.search(r"^\s*print\(", text, re.M), path


def test_notebooks_are_kept_without_outputs():
    found = list((ROOT / "notebooks").glob("*.ipynb"))
    for path in found:
        for cell in json.loads(path.read_text("utf-8"))["cells"]:
            assert not cell.get("outputs"), path
            assert cell.get("execution_count") is None, path


@pytest.mark.parametrize("command", ["import yieldkit", "import yieldkit.cli"])
def test_start_up_loads_no_heavy_library(command):
    heavy = "pandas", "numpy", "scipy", "matplotlib", "statsmodels", "duckdb", "pyarrow"
    code = f"import sys; {command}; print([m for m in {heavy} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"
