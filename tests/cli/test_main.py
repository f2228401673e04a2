"""The command's frame: statuses, sentences instead of tracebacks, a light start."""

import subprocess
import sys

import pytest

from yieldkit import cli
from yieldkit.errors import CrewError

HEAVY = ("pandas", "numpy", "scipy", "matplotlib", "pyarrow", "duckdb", "pydantic", "statsmodels")


@pytest.mark.parametrize(
    "doing", ["import yieldkit", "from yieldkit.cli import main; main(['--help'])"]
)
def test_start_up_without_work_loads_nothing_heavy(doing):
    code = f"{doing}\nimport sys\nprint([m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_help_names_every_command_and_the_exit_statuses(capsys):
    assert cli.main(["--help"]) == 0
    shown = capsys.readouterr().out
    for word in ("review", "demo", "lab", "exit status"):
        assert word in shown


@pytest.mark.parametrize("command", ["review", "demo", "lab"])
def test_help_of_each_command_has_a_description(command, capsys):
    assert cli.main([command, "--help"]) == 0
    assert len(capsys.readouterr().out.splitlines()) > 8


@pytest.mark.parametrize("words", [[], ["revue"], ["review", "--weak", "x"]])
def test_wrong_use_is_status_2_with_a_sentence(words, capsys):
    assert cli.main(words) == cli.WRONG_USE
    assert "yieldkit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (CrewError("the week is unknown", found="2026-W99", remedy="Write 2026-W47."), "2026-W99"),
        (PermissionError(13, "Permission denied", "review.xlsx"), "review.xlsx: permission denied"),
        (KeyboardInterrupt(), "stopped"),
        (ZeroDivisionError("division by zero"), "Your records are as they were"),
    ],
)
def test_an_error_is_one_line_and_never_a_traceback(error, said, monkeypatch, capsys):
    def fail(arguments):
        raise error

    monkeypatch.setattr("yieldkit.cli.review.run_review", fail)
    assert cli.main(["review"]) == cli.WRONG_USE
    shown = capsys.readouterr().err
    assert said in shown
    assert len(shown.splitlines()) == 1
    assert "Traceback" not in shown


def test_traceback_can_be_asked_for(monkeypatch):
    def fail(arguments):
        raise ZeroDivisionError

    monkeypatch.setattr("yieldkit.cli.review.run_review", fail)
    with pytest.raises(ZeroDivisionError):
        cli.main(["--traceback", "review"])
