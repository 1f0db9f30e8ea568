"""The process that draws: results and errors come back from it, and it never outlives the work."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from autocal.errors import OutputError
from autocal.report.drawing import DrawingProcess
from autocal.whole_file import whole_file

TOO_LONG_S = 60.0


def gone(process: int) -> bool:
    """Whether no such process is running."""
    return not Path(f"/proc/{process}").exists()


def test_calls_come_back_in_order_from_one_other_process() -> None:
    with DrawingProcess() as drawing:
        first, numbers, last = (
            drawing.submit(os.getpid),
            drawing.submit(divmod, 17, 5),
            drawing.submit(os.getpid),
        )
        process = first.result(TOO_LONG_S)
        assert numbers.result(TOO_LONG_S) == (3, 2)
        assert last.result(TOO_LONG_S) == process != os.getpid()
    assert gone(process)


def test_what_is_printed_there_is_no_answer() -> None:
    with DrawingProcess() as drawing:
        assert drawing.submit(print, "a word").result(TOO_LONG_S) is None
        assert drawing.submit(int, "7").result(TOO_LONG_S) == 7


@pytest.mark.skipif(sys.platform == "win32", reason="closes streams as POSIX shells do")
def test_it_draws_for_a_program_whose_streams_are_closed(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from autocal.report.drawing import DrawingProcess\n"
        "with DrawingProcess() as drawing: found = drawing.submit(divmod, 17, 5).result(60)\n"
        "Path(sys.argv[1]).write_text(str(found))"
    )
    shell = ["sh", "-c", 'exec "$0" -c "$1" "$2" <&- >&- 2>&-', sys.executable, code, tmp_path / "found"]
    subprocess.run(shell, check=True, timeout=TOO_LONG_S)
    assert (tmp_path / "found").read_text() == "(3, 2)"


def test_an_error_is_raised_here_and_the_next_call_works(tmp_path: Path) -> None:
    with DrawingProcess() as drawing:
        refused = drawing.submit(whole_file(tmp_path / "missing" / "before.png").__enter__)
        with pytest.raises(TypeError, match="pickle"):  # a generator cannot go there
            refused.result(TOO_LONG_S)
        with pytest.raises(FileNotFoundError, match="nowhere"):
            drawing.submit(os.listdir, tmp_path / "nowhere").result(TOO_LONG_S)
        assert drawing.submit(os.listdir, tmp_path).result(TOO_LONG_S) == []


def test_a_large_array_goes_there_once() -> None:
    """The same object there both times; what only equals it is another."""
    picture, other = np.zeros((1024, 1024)), np.zeros((1024, 1024))
    with DrawingProcess() as drawing:
        first, second, third = (drawing.submit(id, array) for array in (picture, picture, other))
        assert first.result(TOO_LONG_S) == second.result(TOO_LONG_S) != third.result(TOO_LONG_S)
        with pytest.raises(TypeError, match="pickle"):  # and a job that cannot go there spoils nothing
            drawing.submit(max, other, (n for n in ())).result(TOO_LONG_S)
        picture += 1.0  # sent already, as it was
        assert drawing.submit(np.sum, picture).result(TOO_LONG_S) == 0.0
        assert drawing.submit(np.sum, np.ones((1024, 1024))).result(TOO_LONG_S) == 2.0**20


def test_a_process_ended_from_outside_is_told() -> None:
    with DrawingProcess() as drawing:
        ended = drawing.submit(os._exit, 9)
        with pytest.raises(OutputError, match=r"could not be drawn: .* ended from outside"):
            ended.result(TOO_LONG_S)


def test_leaving_ends_it_whatever_it_is_at() -> None:
    start = time.monotonic()
    with DrawingProcess() as drawing:
        process = drawing.submit(os.getpid).result(TOO_LONG_S)
        sleeping = drawing.submit(time.sleep, TOO_LONG_S)
        never = drawing.submit(time.sleep, TOO_LONG_S)
        time.sleep(0.2)
    assert gone(process)
    assert isinstance(sleeping.exception(TOO_LONG_S), OutputError)
    assert never.cancelled()
    assert time.monotonic() - start < TOO_LONG_S / 2


def test_it_is_out_of_reach_of_a_terminals_interrupt() -> None:
    with DrawingProcess() as drawing:
        group = drawing.submit(os.getpgrp).result(TOO_LONG_S)
    assert group != os.getpgrp()
