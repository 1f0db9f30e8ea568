"""Files and folders appear under their name only when whole: written beside, then renamed."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from autocal.errors import OutputError


@contextmanager
def whole_file(path: str | Path, *, overwrite: bool = False) -> Iterator[Path]:
    """A temporary name in the folder of `path`, renamed to `path` when the block ends well.

    The temporary name has the same suffix, as many writers choose the format by it. Whatever
    goes wrong inside (Ctrl-C too), the temporary file is removed and `path` is as it was.

    Raises OutputError when `path` exists and `overwrite` is not given, when its folder is
    missing or cannot be written, and for any OSError inside the block (a full disk).
    """
    path = Path(path)
    if path.exists() and not overwrite:
        raise OutputError(f"{path} exists already: choose another name, or say that it may be overwritten")
    if path.is_dir():
        raise OutputError(f"{path} is a folder: give the name of a file")
    beside = _empty_file_beside(path)
    try:
        yield beside
        os.replace(beside, path)
    except OSError as problem:
        raise OutputError(f"{path} could not be written: {problem.strerror or problem}") from problem
    finally:
        beside.unlink(missing_ok=True)


@contextmanager
def whole_folder(out: Path, *, overwrite: bool = False) -> Iterator[Path]:
    """A hidden folder beside `out` that takes its name when everything in it is written.

    Where `out` is there and may be overwritten, the new files move into it one by one, and what else is in
    it stays. Raises OutputError when `out` exists and `overwrite` is not given, or cannot be written.
    """
    if out.exists() and not overwrite:
        raise OutputError(f"{out} exists already: choose another folder, or write into it with --force")
    if out.exists() and not out.is_dir():
        raise OutputError(f"{out} is a file, not a folder: choose another name")
    made_parents = [parent for parent in out.absolute().parents if not parent.exists()]
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    except OSError as problem:
        raise OutputError(f"{out} cannot be written: {problem.strerror}; choose another place") from problem
    try:
        yield beside
        beside.chmod(0o755)
        if out.exists():
            for made in beside.iterdir():
                made.replace(out / made.name)
        else:
            beside.rename(out)
    except OutputError as problem:  # it names a file by where it lies until all are there
        raise OutputError(str(problem).replace(str(beside), str(out))) from problem
    except OSError as problem:
        raise OutputError(f"{out} could not be written: {problem.strerror or problem}") from problem
    finally:
        shutil.rmtree(beside, ignore_errors=True)
        for parent in made_parents:
            with suppress(OSError):  # holds the result, or something of somebody else's
                parent.rmdir()


def _empty_file_beside(path: Path) -> Path:
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
    except OSError as problem:
        raise OutputError(
            f"{path} cannot be written: {problem.strerror or problem}; check that the folder exists, "
            "may be written to and has room"
        ) from problem
    os.close(handle)
    # mkstemp makes files private; a finished file gets what the person's umask allows.
    umask = os.umask(0)
    os.umask(umask)
    os.chmod(name, 0o666 & ~umask)
    return Path(name)
