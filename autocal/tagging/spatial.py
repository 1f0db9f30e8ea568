"""What spatial metadata says about a picture, and its payloads in the Spherical Video V2 RFC.

Source of every layout here: "Spherical Video V2 RFC", google/spatial-media,
docs/spherical-video-v2-rfc.md. Integers are big-endian.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from autocal.errors import DamagedFilmError, FootageError

#: Stereo modes of the st3d box, in the order of their numbers.
STEREO_MODES = ("mono", "top-bottom", "left-right")

#: A quarter of the sphere's width, as a 0.32 fixed-point fraction.
QUARTER = 0x40000000


@dataclass(frozen=True)
class Equirect:
    """An equirectangular picture's crop: what is cut off the whole sphere at each edge.

    top, bottom, left, right: 0.32 fixed-point fractions of the whole height or width.
    """

    top: int = 0
    bottom: int = 0
    left: int = 0
    right: int = 0

    def __post_init__(self) -> None:
        edges = (self.top, self.bottom, self.left, self.right)
        if not all(0 <= edge < 2**32 for edge in edges):
            raise FootageError(f"equirectangular bounds must fit in 32 bits, got {edges}")

    def payload(self) -> bytes:
        """Version, flags and the four bounds: 20 bytes, the body of an equi box."""
        return struct.pack(">5I", 0, self.top, self.bottom, self.left, self.right)

    @classmethod
    def from_payload(cls, payload: bytes) -> Equirect:
        """Raises FootageError unless the payload is a version 0 equi body."""
        if len(payload) < 20 or payload[0] != 0:
            raise DamagedFilmError("the equirectangular bounds are damaged or of an unknown version")
        return cls(*struct.unpack(">4I", payload[4:20]))


@dataclass(frozen=True)
class SpatialTags:
    """The spatial metadata of one video track; None where the file says nothing.

    stereo: one of `STEREO_MODES`, or another mode's description.
    projection: "equirectangular", "cubemap", "mesh", or another projection's description.
    equirect: the crop, where the projection is equirectangular.
    pose_deg: yaw, pitch, roll of the picture, degrees.
    """

    stereo: str | None = None
    projection: str | None = None
    equirect: Equirect | None = None
    pose_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def describe(self) -> str:
        """One line for a person."""
        if self.stereo is None and self.projection is None:
            return "no spatial metadata"
        parts = [f"stereo: {self.stereo or 'not stated'}", f"projection: {self.projection or 'not stated'}"]
        if self.equirect is not None:
            parts.append(_describe_field(self.equirect))
        parts.append("yaw {:g}, pitch {:g}, roll {:g} degrees".format(*self.pose_deg))
        return "; ".join(parts)


#: Side by side, left eye left, each a half-equirectangular view of 180 x 180 degrees.
HALF_EQUIRECT_LEFT_RIGHT = SpatialTags(
    stereo="left-right",
    projection="equirectangular",
    equirect=Equirect(left=QUARTER, right=QUARTER),
)


def _describe_field(crop: Equirect) -> str:
    width = 360.0 * (1.0 - (crop.left + crop.right) / 2**32)
    height = 180.0 * (1.0 - (crop.top + crop.bottom) / 2**32)
    return f"{width:g} x {height:g} degrees"
