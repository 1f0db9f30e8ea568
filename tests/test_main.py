"""The entry point: light to start, helpful, and one line where something is wrong."""

from __future__ import annotations

import subprocess
import sys

import pytest

HEAVY = (
    "torch",
    "cv2",
    "scipy",
    "kornia",
    "av",
    "OpenImageIO",
    "OpenEXR",
    "matplotlib",
    "pydantic",
    "distributed",
)
COMMANDS = ("solve", "check", "stmap", "render", "batch", "tag", "compare", "chart", "convert", "history")


def autocal(*arguments: str) -> subprocess.CompletedProcess[str]:
    """What the command line answers."""
    run = "from autocal.commands.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", run, *arguments], capture_output=True, text=True, timeout=60, check=False
    )


def test_help_loads_nothing_heavy() -> None:
    """It is to answer in half a second: the libraries behind the commands each take longer than that."""
    run = (
        "import sys; from autocal.commands.main import commands\n"
        "commands.main(['--help'], standalone_mode=False)\n"
        f"print('heavy:', [name for name in {HEAVY!r} if name in sys.modules])"
    )
    answer = subprocess.run([sys.executable, "-c", run], capture_output=True, text=True, check=True).stdout
    assert "heavy: []" in answer
    assert all(name in answer for name in COMMANDS)


def test_importing_the_package_loads_nothing_heavy() -> None:
    run = f"import sys, autocal; print([name for name in {HEAVY!r} if name in sys.modules])"
    answer = subprocess.run([sys.executable, "-c", run], capture_output=True, text=True, check=True)
    assert answer.stdout.strip() == "[]"


def test_version() -> None:
    from importlib.metadata import version

    answer = autocal("--version")
    assert answer.returncode == 0
    assert version("autocal") in answer.stdout


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_every_command_holds_an_example(command: str) -> None:
    answer = autocal(command, "--help")
    assert answer.returncode == 0, answer.stderr
    assert "xample" in answer.stdout
    assert f"autocal {command} " in answer.stdout.split("xample", 1)[1]


@pytest.mark.parametrize("arguments", [("frobnicate",), ("solve",), ("solve", "clip.mp4"), ("stmap",)])
def test_what_is_not_understood_exits_with_two(arguments: tuple[str, ...]) -> None:
    answer = autocal(*arguments)
    assert answer.returncode == 2
    assert "Error" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_an_error_is_one_line_on_the_error_stream() -> None:
    answer = autocal("stmap", "none.json", "--out", "never.exr")
    assert answer.returncode == 2
    assert answer.stdout == ""
    assert answer.stderr.startswith("autocal: ")
    assert "none.json" in answer.stderr
    assert len(answer.stderr.strip().splitlines()) == 1
