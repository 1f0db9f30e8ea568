"""Importing this compiles the loops that matching will call, or fetches them from disk: for a thread that
has the time."""

from __future__ import annotations

import numpy as np

from autocal.matching.pairs import Reach, guided_pairs
from autocal.matching.patches import cut_patches, smooth_picture
from autocal.matching.refine import align

_place = np.full((1, 2), 32.0)
_view = smooth_picture(np.zeros((64, 64), dtype=np.uint8), 2)
align(cut_patches(_view, _place), _view, _place, np.eye(2)[None])

_bearing, _limit = np.eye(3, dtype=np.float32), np.ones(3, dtype=np.float32)
_nothing = np.zeros((3, 128), dtype=np.float32)
guided_pairs(_nothing, _nothing, Reach(_bearing, _bearing, _limit, _limit, _bearing, 1.0))
