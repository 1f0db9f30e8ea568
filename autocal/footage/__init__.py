"""Footage: from files to the frames worth reading, as pairs of luma halves, and to the image circles."""

from autocal.footage.source import Footage, open_footage
from autocal.footage.survey import FrameChoice, Picture, Progress, StereoFrame, Survey

__all__ = [
    "Footage",
    "FrameChoice",
    "Picture",
    "Progress",
    "StereoFrame",
    "Survey",
    "open_footage",
]
