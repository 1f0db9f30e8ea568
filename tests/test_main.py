"""The entry point: light to start, helpful, and one line where something is wrong."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import IO

import click
import pytest

from autocal.commands.main import commands

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


def autocal(
    *arguments: str, before: str = "", out: int | IO[str] = subprocess.PIPE
) -> subprocess.CompletedProcess[str]:
    """What the command line answers. before: code that runs first. out: where the output goes."""
    run = f"{before}\nfrom autocal.commands.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", run, *arguments],
        stdout=out,
        stderr=subprocess.PIPE,
        text=True,
        timeout=60,
        check=False,
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


@pytest.mark.parametrize("name", COMMANDS)
def test_help_says_what_every_option_is_for(name: str) -> None:
    command = commands.get_command(click.Context(commands), name)
    assert command is not None
    options = [param for param in command.params if isinstance(param, click.Option)]
    assert options
    assert [option.opts[0] for option in options if not option.help] == []


def test_a_batch_of_solves_refuses_the_baselines_that_a_solve_refuses() -> None:
    for command in (("batch", "--do", "solve"), ("solve",)):
        answer = autocal(*command, "clip.mp4", "--baseline-mm", "0.5", "--out", "never")
        assert answer.returncode == 2
        assert "--baseline-mm" in answer.stderr


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


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
def test_an_output_that_cannot_be_written_is_said_in_one_line() -> None:
    with open("/dev/full", "w") as full:
        answer = autocal("--help", out=full)
    assert answer.returncode == 2
    assert answer.stderr.startswith("autocal: ")
    assert len(answer.stderr.strip().splitlines()) == 1


@pytest.mark.skipif(sys.platform == "win32", reason="closes an output as POSIX shells do")
def test_where_the_output_is_closed_nothing_is_wrong() -> None:
    code = "import sys; sys.argv = ['autocal', '--version']; from autocal.commands.main import main; main()"
    answer = subprocess.run(
        ["sh", "-c", 'exec "$0" -c "$1" >&-', sys.executable, code],
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    assert answer.returncode == 0
    assert answer.stderr == ""


def test_output_is_complete_and_the_exit_code_kept_where_torch_is_loaded() -> None:
    for arguments, code in ((["--help"], 0), (["stmap", "none.json", "--out", "never.exr"], 2)):
        answer = autocal(*arguments, before="import torch")
        assert answer.returncode == code
        assert (answer.stderr if code else answer.stdout).endswith("\n")
