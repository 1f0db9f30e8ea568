"""autocal calibrates stereo 180-degree fisheye rigs from ordinary footage, and says how sure it is.

    import autocal
    calibration = autocal.solve(["clip.mp4"])
    calibration.save("calibration.json")

Names are loaded when first used, so that importing the package stays light.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autocal.beforehand import SolveOptions
    from autocal.calibration import Calibration
    from autocal.errors import AutocalError
    from autocal.geometry import Lens, Rig
    from autocal.solving import Solved, solve

__all__ = ["AutocalError", "Calibration", "Lens", "Rig", "SolveOptions", "Solved", "solve"]

_HOMES = {
    "AutocalError": "autocal.errors",
    "Calibration": "autocal.calibration",
    "Lens": "autocal.geometry",
    "Rig": "autocal.geometry",
    "SolveOptions": "autocal.beforehand",
    "Solved": "autocal.solving",
    "solve": "autocal.solving",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'autocal' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
