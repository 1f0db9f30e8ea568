"""What a film shows where: directions land as the half-equirectangular formula says, on every path."""

from __future__ import annotations

from typing import Any

import av
import numpy as np
import OpenImageIO as oiio
import pytest
from numpy.typing import NDArray

from autocal.calibration import Calibration
from autocal.geometry import (
    ImageCircle,
    Lens,
    Rig,
    direction_of_longitude_latitude,
    matrix_from_yaw_pitch_roll,
)
from autocal.geometry.rotation import rotation_about
from autocal.mapping.stmap import st_map
from autocal.matches import LEFT, RIGHT
from autocal.render.formats import encoder_format, fill_values, planar_format, plane_array, yuv_format
from autocal.render.renderer import Look, Renderer
from autocal.render.renderer_torch import TorchRenderer
from autocal.render.view import eye_view, plane_positions, rim_share, view_rig

HALF = 256


def calibration(swapped: bool = False, circle: float | None = None) -> Calibration:
    disc = ImageCircle(127.5, 127.5, circle) if circle else None
    left = Lens((HALF, HALF), 82.0, (126.0, 129.0), k=(-0.02, 0.001, 0.0, 0.0), circle=disc)
    right = Lens((HALF, HALF), 81.0, (129.5, 126.5), k=(-0.015, 0.0, 0.0, 0.0), circle=disc)
    R_right = matrix_from_yaw_pitch_roll(*np.deg2rad([0.8, -0.5, 0.6]))
    return Calibration(Rig(left, right, np.eye(3), R_right), swapped=swapped)


def frame_of(planes: list[NDArray[Any]], name: str) -> av.VideoFrame:
    format_ = planar_format(name)
    frame = av.VideoFrame(planes[0].shape[1], planes[0].shape[0], name)
    for number, plane in enumerate(planes):
        plane_array(frame, number, format_)[...] = plane
    return frame


def random_frame(name: str, seed: int = 0, size: tuple[int, int] = (2 * HALF, HALF)) -> av.VideoFrame:
    import cv2

    format_ = planar_format(name)
    random = np.random.default_rng(seed)
    planes = []
    for number in range(format_.planes):
        across, down = format_.plane_subsampling(number)
        noise = cv2.GaussianBlur(random.random((size[1] // down, size[0] // across)), (0, 0), 1.2)
        codes = (noise - noise.min()) / np.ptp(noise) * ((1 << format_.bits) - 1)
        planes.append(codes.astype(format_.dtype))
    return frame_of(planes, name)


def blob_frame(centres: list[tuple[float, float]], sigma: float = 3.0) -> av.VideoFrame:
    """A 10-bit frame with one soft dot in each half at (x, y) px of the frame."""
    y, x = np.mgrid[:HALF, : 2 * HALF]
    luma = sum(900 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma**2)) for cx, cy in centres)
    return frame_of([np.rint(luma).astype(np.uint16)], "gray10le")


def centre_of_mass(picture: NDArray[Any]) -> tuple[float, float]:
    weight = picture.astype(np.float64)
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    return float((x * weight).sum() / weight.sum()), float((y * weight).sum() / weight.sum())


@pytest.mark.parametrize("swapped", [False, True])
@pytest.mark.parametrize(("longitude_deg", "latitude_deg"), [(0, 0), (35, 20), (-50, -30), (8, -62)])
def test_known_directions_land_where_the_formula_says(
    swapped: bool, longitude_deg: float, latitude_deg: float
) -> None:
    # Half-equirectangular: x = (longitude / 180 + 1/2) W - 1/2, y = (1/2 - latitude / 180) H - 1/2.
    known = calibration(swapped)
    direction = direction_of_longitude_latitude(*np.deg2rad([longitude_deg, latitude_deg]))
    places = []
    for eye in (LEFT, RIGHT):
        x, y = known.view_rig.pixels(eye, direction)
        places.append((float(x) + HALF * (eye ^ swapped), float(y)))
    size = 512
    gray = planar_format("gray10le")
    renderer = Renderer(known, Look(size=(2 * size, size)), gray, gray, (2 * HALF, HALF))
    film = plane_array(renderer.render(blob_frame(places)), 0, gray)
    expected = ((longitude_deg / 180 + 0.5) * size - 0.5, (0.5 - latitude_deg / 180) * size - 0.5)
    # The dot's image is stretched by 1 / cos(latitude); its middle is found on the dot's own scale.
    for eye in (LEFT, RIGHT):
        found = middle_of_dot(film[:, eye * size : (eye + 1) * size], latitude_deg)
        assert found == pytest.approx(expected, abs=0.05)


def middle_of_dot(view: NDArray[Any], latitude_deg: float) -> tuple[float, float]:
    """Place of the brightest direction: a paraboloid fitted to the log of the brightest samples."""
    y, x = np.nonzero(view > 0.8 * view.max())
    u, v = x - x.mean(), y - y.mean()
    terms = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    c = np.linalg.lstsq(terms, np.log(view[y, x].astype(np.float64)), rcond=None)[0]
    at = np.linalg.solve([[2 * c[3], c[4]], [c[4], 2 * c[5]]], [-c[1], -c[2]])
    return float(at[0] + x.mean()), float(at[1] + y.mean())


def test_film_equals_openimageio_with_our_map() -> None:
    known = calibration()
    size = (512, 256)
    gray = planar_format("gray10le")
    frame = random_frame("gray10le")
    film = plane_array(Renderer(known, Look(size), gray, gray, (2 * HALF, HALF)).render(frame), 0, gray)
    table = st_map(known, size, v_origin="top")
    source = plane_array(frame, 0, gray).astype(np.float32) / 1023
    picture = oiio.ImageBuf(np.ascontiguousarray(source[..., None]))
    warp = oiio.ImageBuf(np.dstack([table.u, table.v]).astype(np.float32))
    result = oiio.ImageBufAlgo.st_warp(picture, warp, "catmull-rom")
    warped = np.asarray(result.get_pixels(oiio.FLOAT))[..., 0] * 1023
    inner = table.valid
    inner[:, [0, 1, 2, 253, 254, 255, 256, 257, 258, 509, 510, 511]] = (
        False  # its filter mixes the eyes there
    )
    difference = np.abs(film - warped)[inner]
    assert np.sqrt(np.mean(difference**2)) < 4  # of 1023: interpolation error
    assert np.percentile(difference, 99) < 12


@pytest.mark.parametrize("name", ["yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p", "gbrp10le", "gray"])
@pytest.mark.parametrize("size", [(512, 256), (128, 64)])
def test_torch_renders_what_the_processor_renders(name: str, size: tuple[int, int]) -> None:
    format_ = planar_format(name)
    look = Look(size, feather_deg=6.0, fill=(0.5, 0.25, 0.0), level_deg=(1.0, -2.0, 3.0))
    arguments = (calibration(circle=120.0), look, format_, format_, (2 * HALF, HALF))
    frame = random_frame(name)
    here, there = Renderer(*arguments).render(frame), TorchRenderer(*arguments, device="cpu").render(frame)
    for plane in range(format_.planes):
        first, second = (plane_array(f, plane, format_).astype(int) for f in (here, there))
        assert np.abs(first - second).max() <= 1
        assert np.ptp(first) > 20


def test_nothing_leaks_from_one_eye_into_the_other() -> None:
    frame = av.VideoFrame(2 * HALF, HALF, "yuv420p")
    format_ = planar_format("yuv420p")
    for plane in range(3):
        target = plane_array(frame, plane, format_)
        target[...] = 40
        target[:, target.shape[1] // 2 :] = 200
    look = Look((512, 256), filter="lanczos", fill=(0.25, 0.25, 0.25))
    film = Renderer(calibration(), look, format_, format_, (2 * HALF, HALF)).render(frame)
    fills = fill_values(format_, look.fill, full_range=False)
    for plane, fill in enumerate(fills):
        values = plane_array(film, plane, format_)
        middle = values.shape[1] // 2
        assert set(np.unique(values[:, :middle])) <= {40, fill}
        assert set(np.unique(values[:, middle:])) <= {200, fill}


def test_chroma_lies_where_luma_lies() -> None:
    # The same soft picture in luma and, twice as coarse, in chroma at the positions of H.264 type 0.
    y, x = np.mgrid[:HALF, : 2 * HALF].astype(np.float64)

    def scene(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.uint16]:
        return np.rint(512 + 300 * np.sin(x / 17) * np.cos(y / 13)).astype(np.uint16)

    chroma = scene(x[::2, ::2], y[::2, ::2] + 0.5)
    frame = frame_of([scene(x, y), chroma, chroma], "yuv420p10le")
    format_ = planar_format("yuv420p10le")
    film = Renderer(calibration(circle=126.0), Look((1024, 512)), format_, format_, (2 * HALF, HALF)).render(
        frame
    )
    luma, blue = plane_array(film, 0, format_).astype(float), plane_array(film, 1, format_).astype(float)
    beside = (luma[0::2, ::2] + luma[1::2, ::2]) / 2
    inner = np.zeros_like(beside, bool)
    inner[60:-60, 60:196] = True
    difference = (beside - blue)[inner]
    assert abs(difference.mean()) < 0.3
    assert np.abs(difference).max() < 4  # half a chroma px of shift would show as 18


def test_level_turns_the_view_as_it_says() -> None:
    # Turned right by 10 degrees, what was 10 degrees to the right comes to the middle; the others alike.
    known = calibration()
    turned = view_rig(known, (HALF, HALF), (0.0, 0.0, 10.0))
    right = direction_of_longitude_latitude(np.deg2rad(10.0), 0.0)
    ahead = np.array([0.0, 0.0, 1.0])
    assert np.allclose(turned.pixels(LEFT, ahead), known.view_rig.pixels(LEFT, right))
    raised = view_rig(known, (HALF, HALF), (7.0, 0.0, 0.0))
    above = direction_of_longitude_latitude(0.0, np.deg2rad(7.0))
    assert np.allclose(raised.pixels(LEFT, ahead), known.view_rig.pixels(LEFT, above))
    rolled = view_rig(known, (HALF, HALF), (0.0, 5.0, 0.0))
    side = rotation_about("z", np.deg2rad(5.0)) @ np.array([1.0, 0.0, 0.0])  # clockwise: the right side sinks
    assert side[1] > 0
    assert np.allclose(rolled.pixels(LEFT, [1.0, 0.0, 0.0]), known.view_rig.pixels(LEFT, side))


def test_proxy_footage_is_mapped_like_the_full_one() -> None:
    full = eye_view(view_rig(calibration(), (HALF, HALF), (0, 0, 0)), LEFT, (64, 64), swapped=False)
    half = eye_view(view_rig(calibration(), (HALF // 2, HALF // 2), (0, 0, 0)), LEFT, (64, 64), swapped=False)
    assert np.nanmax(np.abs((full.x + 0.5) / 2 - 0.5 - half.x)) < 1e-3


def test_rim_fades_evenly_to_the_edge_of_the_circle() -> None:
    lens = Lens((HALF, HALF), 82.0, (127.5, 127.5), circle=ImageCircle(127.5, 127.5, 100.0))
    x = np.array([[127.5, 207.5, 217.5, 227.5, np.nan]], np.float32)
    share = rim_share(lens, x, np.full_like(x, 127.5), 20.0)
    assert np.allclose(share, [[1.0, 1.0, 0.5, 0.0, 0.0]])


def test_full_height_chroma_can_be_made_from_half_height() -> None:
    view = eye_view(view_rig(calibration(), (HALF, HALF), (0, 0, 0)), LEFT, (64, 64), swapped=False)
    x, y, _ = plane_positions(view, (2, 2), (2, 1))
    assert x.shape == (64, 32)
    assert np.allclose(x, view.x[:, ::2] / 2, equal_nan=True)
    assert np.allclose(y, (view.y[:, ::2] - 0.5) / 2, equal_nan=True)


def test_encoders_keep_depth_before_chroma() -> None:
    assert encoder_format(yuv_format(10, (2, 2)), "libx265") == "yuv420p10le"
    assert encoder_format(yuv_format(8, (2, 2)), "prores_ks") == "yuv422p10le"
    assert encoder_format(planar_format("p010le"), "libx264") == "yuv420p10le"
    assert encoder_format(planar_format("rgb24"), "prores_ks") == "yuv444p10le"


def test_black_and_white_have_the_codes_of_the_standard() -> None:
    # Rec. ITU-R BT.709-6, table 4: black 16, white 235, achromatic 128 at 8 bit; four times that at 10.
    assert fill_values(yuv_format(8, (2, 2)), (0, 0, 0), False) == (16, 128, 128)
    assert fill_values(yuv_format(10, (2, 2)), (1, 1, 1), False) == (940, 512, 512)
    assert fill_values(yuv_format(8, (2, 2)), (1, 1, 1), True) == (255, 128, 128)
    assert fill_values(yuv_format(8, (1, 1)), (0, 0, 1), False) == (32, 240, 118)
