"""Geometry of two fisheye lenses side by side. Knows no files and no images.

Conventions (the one page; everything else refers here)
-------------------------------------------------------
Rig frame
    x from the left eye to the right eye (the baseline), y down, z forward, right-handed.
    Left eye at (-b/2, 0, 0), right eye at (+b/2, 0, 0). Forward is chosen so that the mean
    of the two optical axes has no pitch.
Camera frame
    x right, y down, z along the optical axis. ``R_left`` and ``R_right`` rotate rig
    coordinates into each eye's camera frame: ``d_camera = R_left @ d_rig``.
Relative rotation
    ``R_right @ R_left.T`` takes left-camera to right-camera coordinates. Reported as the
    orientation of the right eye against the left, composed as yaw, then pitch, then roll
    about the turned axes: ``(R_right @ R_left.T).T = Ry(yaw) @ Rx(pitch) @ Rz(roll)``.
    Positive: right eye's axis turned to the right, tilted up, camera rolled clockwise as
    seen from behind. The left axis seen by a right eye yawed by +1 degree is at x = -sin 1.
Pixels
    (x, y) with x to the right and y down; integer coordinates are pixel centres; each eye
    has its own half, with its own origin at the centre of its top left pixel.
Bearings
    Unit vectors. Nothing divides by z: lenses see past 90 degrees from the axis.
Invalid
    NaN: pixels outside the range of a lens have no bearing, rays outside it no pixel.
Angles are radians unless the name says ``_deg`` or ``_arcmin``.
"""

from autocal.geometry.epipolar import (
    horizontal_disparity,
    sampson_miss,
    vertical_disparity,
)
from autocal.geometry.halfequirect import direction_of_longitude_latitude, view_angles
from autocal.geometry.lens import ImageCircle, Lens
from autocal.geometry.projections import PROJECTIONS, nominal_lens, radius_of_angle
from autocal.geometry.rig import Rig
from autocal.geometry.rotation import (
    matrix_from_rotation_vector,
    matrix_from_yaw_pitch_roll,
    rotation_vector_from_matrix,
    yaw_pitch_roll_from_matrix,
)

__all__ = [
    "PROJECTIONS",
    "ImageCircle",
    "Lens",
    "Rig",
    "direction_of_longitude_latitude",
    "horizontal_disparity",
    "matrix_from_rotation_vector",
    "matrix_from_yaw_pitch_roll",
    "nominal_lens",
    "radius_of_angle",
    "rotation_vector_from_matrix",
    "sampson_miss",
    "vertical_disparity",
    "view_angles",
    "yaw_pitch_roll_from_matrix",
]
