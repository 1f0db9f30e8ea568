"""The pictures of a solve, as PNG files: before and after, the matches, the disparity over the field.

    write_anaglyph_sheet      before.png, after.png
    write_matches_picture     matches.png
    write_disparity_picture   disparity.png

Each has a twin without `write_` that returns the matplotlib figure.
"""

from autocal.report.pictures_anaglyph import anaglyph, anaglyph_sheet, write_anaglyph_sheet
from autocal.report.pictures_disparity import (
    FieldDisparity,
    cell_medians,
    disparity_picture,
    field_disparity,
    write_disparity_picture,
)
from autocal.report.pictures_matches import evenly_thinned, matches_picture, write_matches_picture

__all__ = [
    "FieldDisparity",
    "anaglyph",
    "anaglyph_sheet",
    "cell_medians",
    "disparity_picture",
    "evenly_thinned",
    "field_disparity",
    "matches_picture",
    "write_anaglyph_sheet",
    "write_disparity_picture",
    "write_matches_picture",
]
