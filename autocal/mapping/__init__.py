"""From a calibration to maps: where every pixel of the half-equirectangular view comes from."""

from autocal.mapping.exr import geometry_digest, read_st_map, write_st_map
from autocal.mapping.remap import remap_frame, remap_half
from autocal.mapping.stmap import DEFAULT_SIZE, SourceMap, StMap, source_map, st_map

__all__ = [
    "DEFAULT_SIZE",
    "SourceMap",
    "StMap",
    "geometry_digest",
    "read_st_map",
    "remap_frame",
    "remap_half",
    "source_map",
    "st_map",
    "write_st_map",
]
