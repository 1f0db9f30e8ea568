"""The entry point: finds the command asked for, and turns errors into one readable line."""

from __future__ import annotations

import os
import sys
from importlib import import_module
from typing import NoReturn

import click

from autocal.errors import AutocalError
from autocal.version import program_version

#: Name and one line each; a command's module is loaded only when it is asked for.
_COMMANDS = {
    "solve": "Calibrate a rig from footage.",
    "check": "Does a calibration still hold for a clip?",
    "stmap": "Bake the ST map of a calibration.",
    "render": "Remap a clip to side-by-side half-equirectangular views.",
    "batch": "Check, solve or render many clips, on one machine or many.",
    "tag": "Add or show the spatial metadata of a film.",
    "compare": "How do calibrations differ?",
    "chart": "Calibrate a rig from frames of a chart.",
    "convert": "Write a calibration in another form.",
    "history": "Calibrations of one unit over time.",
}
_ERROR, _INTERRUPTED = 2, 130


class _Commands(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command = getattr(import_module(f"autocal.commands.{cmd_name}"), cmd_name)
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))


def _say_version(context: click.Context, _: click.Parameter, asked: bool) -> None:
    if asked:
        click.echo(f"autocal, version {program_version()}")
        context.exit()


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_say_version,
    help="Show the version and exit.",
)
def commands() -> None:
    """Calibrates stereo 180-degree fisheye rigs from ordinary footage, and says how sure it is.

    \b
    For example:
      autocal solve clip.mp4 --out calibrated
      autocal stmap calibrated/calibration.json --out stmap.exr
    """


def main() -> NoReturn:
    """Run a command and leave with its exit code."""
    # numpy's products are small here: a second thread would mostly wait for the next one, and do it spinning.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Nor does it ask for large pages: those of a virtual machine come from its host when first touched, which
    # takes four times as long as pages that were somebody's before, a twentieth of a solve in all.
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
    _leave(run())


def run() -> int:
    """Run a command; its exit code, 2 with a message on anything a person can act on."""
    try:
        code = commands.main(standalone_mode=False)
    except click.exceptions.Abort:
        code = _stopped()
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except AutocalError as error:
        click.echo(f"autocal: {error}", err=True)
        code = _ERROR
    except KeyboardInterrupt:
        code = _stopped()
    except OSError as error:  # the system refuses something that nobody foresaw: say what
        where = f": {error.filename}" if error.filename else ""
        click.echo(f"autocal: {error.strerror or error}{where}", err=True)
        code = _ERROR
    return code if isinstance(code, int) else 0


def _leave(code: int) -> NoReturn:
    """End the process at once: taking torch down object by object is most of a second, and after an interrupt
    a thread may wait forever for a module. Not where distributed has processes to see off.
    """
    try:
        if sys.stdout:  # None where it was closed from the start
            sys.stdout.flush()
    except OSError:
        os._exit(code or _ERROR)  # or Python tries again, and complains
    if "distributed" in sys.modules:
        sys.exit(code)
    os._exit(code)


def _stopped() -> int:
    click.echo("autocal: stopped; nothing half-written was left behind", err=True)
    return _INTERRUPTED
