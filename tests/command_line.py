"""Running the command line inside the test's process, and the small clips it is run on."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any
from unittest.mock import patch

import av
import numpy as np
from numpy.typing import NDArray

from autocal.commands.main import run
from tests.footage_clips import write_video

Luma = NDArray[Any]
#: The program as a process's code that heeds Ctrl-C also where the tests run in the background, whose
#: processes are born deaf to it.
HEEDING = (
    "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "from autocal.commands.main import main; main()"
)


@dataclass(frozen=True)
class Answer:
    """What a run of the program left: exit code and what it wrote on both streams."""

    code: int
    out: str
    err: str


def autocal(*arguments: str | Path) -> Answer:
    """Run the program."""
    out, err = StringIO(), StringIO()
    with (
        patch.object(sys, "argv", ["autocal", *map(str, arguments)]),
        redirect_stdout(out),
        redirect_stderr(err),
    ):
        try:
            code = run()
        except SystemExit as end:
            code = int(end.code or 0)
    return Answer(code, out.getvalue(), err.getvalue())


def halves_of(clip: Path) -> tuple[list[Luma], list[Luma]]:
    """Luma of the left and the right halves of a clip's frames."""
    with av.open(str(clip)) as container:
        frames = [frame.to_ndarray(format="gray") for frame in container.decode(video=0)]
    middle = frames[0].shape[1] // 2
    return [f[:, :middle] for f in frames], [f[:, middle:] for f in frames]


def write_halves(path: Path, left: Sequence[Luma], right: Sequence[Luma], **how: Any) -> Path:
    """A side-by-side clip of these halves, well encoded."""
    frames = [np.hstack(pair) for pair in zip(left, right, strict=True)]
    return write_video(path, frames, options={"crf": "12"}, **how)
