"""Inner loops compiled by numba, and kept on disk for the next run."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from numba import njit


def compiled(*, any_order: bool = False) -> Callable[[Callable[..., Any]], Any]:
    """A decorator: compiled when first called, and run without Python's lock.

    any_order: sums may be taken in any order, which lets them be vectors; nothing is assumed of NaN.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    if any_order:
        options["fastmath"] = {"reassoc", "contract", "nsz"}
        # What is called becomes part of its caller: else the run that compiles would call a loop compiled by
        # itself, all later ones the copy kept with the caller, and the two may sum in different orders.
        options["forceinline"] = True

    def compile_(function: Callable[..., Any]) -> Any:
        try:
            return njit(cache=True, **options)(function)
        except RuntimeError:  # neither the program's folder nor the user's can be written to
            return njit(**options)(function)

    return compile_
