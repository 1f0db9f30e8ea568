"""Why OpenImageIO could not read or write a file, also where its words quote what is no text."""

from __future__ import annotations

from typing import Any


def reason(file: Any = None) -> str:
    """Why a file could not be opened, or went wrong later (an ImageInput or ImageOutput), in one line.

    Asking also clears it: what nobody asked for is printed when the program ends.
    """
    import OpenImageIO as oiio

    try:
        said = oiio.geterror() if file is None else file.geterror()
    except UnicodeDecodeError:  # it quotes what it found
        said = ""
    return str(said).strip().partition("\n")[0] or "no reason is given"
