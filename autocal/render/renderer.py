"""One frame in, one frame of the film out: all planes of both eyes, by plans made once."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Protocol

import av

from autocal.calibration import Calibration
from autocal.errors import FootageError, OutputError
from autocal.footage.orientation import UPRIGHT, Orientation
from autocal.matches import LEFT, RIGHT
from autocal.render.filters import FilterName, named_filter
from autocal.render.formats import PlanarFormat, fill_values, plane_array
from autocal.render.plan import Plan, make_plan
from autocal.render.remap import Plane, remap_plane, warm_up
from autocal.render.view import eye_view, plane_positions, view_rig


@dataclass(frozen=True)
class Look:
    """What the picture of the film is to be like.

    size: (width, height) px of the side-by-side picture. level_deg: pitch, roll, yaw of the viewer's
    head. feather_deg: softness of the rim. fill: colour outside the lens, red, green, blue from 0 to 1.
    """

    size: tuple[int, int] = (8192, 4096)
    filter: FilterName = "cubic"
    level_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    feather_deg: float = 0.0
    fill: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __post_init__(self) -> None:
        width, height = self.size
        if width < 8 or height < 4 or width % 4 or height % 2:
            raise OutputError(
                f"a film of {width}x{height} px cannot be made: the width must be a multiple of 4, "
                "the height of 2 (8192x4096, for instance)"
            )
        if not 0.0 <= self.feather_deg <= 45.0:
            raise OutputError(f"a rim can be feathered over 0 to 45 degrees, not {self.feather_deg:g}")


class FrameRenderer(Protocol):
    """Makes the film's frame of a clip's frame; time stamps are the caller's business."""

    @property
    def is_on_card(self) -> bool:
        """Whether the processor has nothing to do meanwhile but to copy."""

    def render(self, frame: av.VideoFrame) -> av.VideoFrame:
        """The film's frame."""


class Renderer:
    """Remaps frames of one clip.

    source, output: formats of the frames that come and go; their depths are equal.
    """

    is_on_card = False

    def __init__(
        self,
        calibration: Calibration,
        look: Look,
        source: PlanarFormat,
        output: PlanarFormat,
        source_size: tuple[int, int],
        *,
        orientation: Orientation = UPRIGHT,
        full_range: bool = False,
        pool: Executor | None = None,
    ) -> None:
        """source_size: (width, height) of the frames as displayed, side by side.

        Raises FootageError where the clip does not fit the calibration.
        """
        check_halves(source, source_size)
        self._source, self._output = source, output
        self._size = look.size
        self._orientation, self._pool = orientation, pool
        self._fills = fill_values(output, look.fill, full_range)
        self._halves = (LEFT, RIGHT) if not calibration.swapped else (RIGHT, LEFT)
        half = (source_size[0] // 2, source_size[1])
        self._plans = make_plans(calibration, look, source, output, half)
        warm_up(source.dtype, named_filter(look.filter))

    def render(self, frame: av.VideoFrame) -> av.VideoFrame:
        """The film's frame; time stamps are the caller's business."""
        result = av.VideoFrame(*self._size, self._output.name)
        for plane, (fill, plans) in enumerate(zip(self._fills, self._plans, strict=True)):
            source = self._orientation.apply(plane_array(frame, plane, self._source))
            self._fill_plane(source, plans, plane_array(result, plane, self._output), fill)
        return result

    def _fill_plane(self, source: Plane, plans: Sequence[Plan], target: Plane, fill: float) -> None:
        for eye, (half, plan) in enumerate(zip(self._halves, plans, strict=True)):
            width, view = plan.source_size[0], plan.size[0]
            part = source[:, half * width : (half + 1) * width]
            place = target[:, eye * view : (eye + 1) * view]
            remap_plane(part, plan, place, bits=self._output.bits, fill=fill, pool=self._pool)


def check_halves(source: PlanarFormat, source_size: tuple[int, int]) -> None:
    """Raises FootageError where a frame cannot be cut in two equal halves, chroma included."""
    width, height = source_size
    if width % (2 * source.subsampling[0]) or height % source.subsampling[1]:
        raise FootageError(f"a frame of {width}x{height} px has no two equal halves in format {source.name}")


def make_plans(
    calibration: Calibration, look: Look, source: PlanarFormat, output: PlanarFormat, half: tuple[int, int]
) -> list[tuple[Plan, ...]]:
    """A plan for each plane and eye; planes that are sampled alike share theirs."""
    rig = view_rig(calibration, half, look.level_deg)
    resampling = named_filter(look.filter)
    kinds = [(source.plane_subsampling(p), output.plane_subsampling(p)) for p in range(output.planes)]
    made: dict[tuple[tuple[int, int], tuple[int, int]], list[Plan]] = {kind: [] for kind in kinds}
    for eye in (LEFT, RIGHT):
        size = (look.size[0] // 2, look.size[1])
        view = eye_view(rig, eye, size, swapped=calibration.swapped, feather_deg=look.feather_deg)
        for kind, plans in made.items():
            x, y, share = plane_positions(view, *kind)
            plane_size = (half[0] // kind[0][0], half[1] // kind[0][1])
            plans.append(make_plan(x, y, plane_size, resampling, share))
    return [tuple(made[kind]) for kind in kinds]
