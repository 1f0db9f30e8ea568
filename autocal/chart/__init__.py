"""Calibration from frames of a printed board: what there is to compare a solved calibration with."""
