"""Calibrations that come as, and go to, other programs' files: OpenCV's form, ST maps."""
