"""Matching: from bursts of stereo frames to points seen by both eyes and over time."""

from autocal.matching.matcher import Matched, match_bursts

__all__ = ["Matched", "match_bursts"]
