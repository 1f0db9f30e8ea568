"""What the README says can be done: its commands and options exist, its links lead somewhere; and the
developers' map is whole."""

from __future__ import annotations

import ast
import re
import shlex
from importlib import import_module
from pathlib import Path

import click
import pytest

import autocal

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
LINKS = re.findall(r"\]\(([^)#]+)\)", README)


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)


def invocations() -> list[list[str]]:
    """The words after `autocal` of every such command in the README."""
    lines = [part for block in blocks("bash") for line in block.splitlines() for part in line.split("&&")]
    words = [shlex.split(line) for line in lines]
    return [line[1:] for line in words if line and Path(line[0]).name == "autocal"]


def options_of(name: str) -> set[str]:
    command = getattr(import_module(f"autocal.commands.{name}"), name)
    assert isinstance(command, click.Command)
    return {flag for parameter in command.params for flag in parameter.opts}


def test_the_first_command_sets_up_and_does_the_main_job_on_the_bundled_sample() -> None:
    first = blocks("bash")[0]
    assert "venv" in first
    assert "pip install ." in first
    assert invocations()[0][:2] == ["solve", "samples/harbour.mp4"]


@pytest.mark.parametrize("words", invocations(), ids=" ".join)
def test_every_command_is_one_the_program_knows(words: list[str]) -> None:
    flags = {word for word in words[1:] if re.match(r"-+[a-z]", word)}
    assert flags <= options_of(words[0])


@pytest.mark.parametrize("words", invocations(), ids=" ".join)
def test_every_file_a_command_reads_is_bundled_or_made_by_an_earlier_one(words: list[str]) -> None:
    earlier = [word for line in invocations()[: invocations().index(words)] for word in line]
    for word in words[1:]:
        if re.search(r"\.(mp4|json|yml|exr)$", word):
            written = words[words.index(word) - 1] in {"--out", "--to", "-o"}
            made = word in earlier or str(Path(word).parent) in earlier
            assert written or made or (ROOT / word).is_file(), word


def test_the_table_of_options_names_options_of_solve() -> None:
    table = README.split("## Options of `autocal solve`")[1].split("\n## ")[0]
    rows = [line.split("|")[1] for line in table.splitlines() if line.startswith("| `-")]
    named = {flag for row in rows for flag in re.findall(r"--[a-z-]+", row)}
    assert len(named) > 10
    assert named <= options_of("solve")


def test_the_table_of_commands_names_all_others() -> None:
    from autocal.commands.main import commands

    table = README.split("## The other commands")[1].split("\n## ")[0]
    named = set(re.findall(r"^\| `([a-z]+) ", table, flags=re.MULTILINE))
    assert named | {"solve"} == set(commands.list_commands(click.Context(commands)))


def test_the_python_example_uses_names_that_exist() -> None:
    for block in blocks("python"):
        for node in ast.walk(ast.parse(block)):
            if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "autocal":
                assert node.attr in autocal.__all__


@pytest.mark.parametrize("target", LINKS)
def test_every_link_leads_to_a_file(target: str) -> None:
    assert (ROOT / target).is_file()


def test_pictures_are_light() -> None:
    pictures = [ROOT / target for target in LINKS if Path(target).suffix in {".jpg", ".png"}]
    assert pictures
    assert all(picture.stat().st_size < 400_000 for picture in pictures)


def test_the_developers_map_names_every_room_of_the_program() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = "".join(line for line in text.splitlines(keepends=True) if line.startswith("|"))
    here = ROOT / "autocal"
    rooms = {f"{path.parent.name}/" for path in here.glob("*/__init__.py")}
    modules = {path.name for path in here.glob("*.py")} - {"__init__.py"}
    assert len(rooms) > 5
    assert {name for name in rooms | modules if f"`{name}`" not in table} == set()
