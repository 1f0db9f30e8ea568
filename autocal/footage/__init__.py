"""Footage: from files to the frames worth reading, as pairs of luma halves, and to the image circles."""

from autocal.footage.image_circle import FoundCircle, find_image_circle, find_image_circles
from autocal.footage.source import Footage, open_footage
from autocal.footage.survey import FrameChoice, Picture, Progress, StereoFrame, Survey

__all__ = [
    "Footage",
    "FoundCircle",
    "FrameChoice",
    "Picture",
    "Progress",
    "StereoFrame",
    "Survey",
    "find_image_circle",
    "find_image_circles",
    "open_footage",
]
