"""Where the bundle begins: robust, coarse, from nominal lenses alone.

First how the eyes are turned against each other, from eye-to-eye pairs; then how the rig turned
from frame to frame, along a tree of the best linked frames; then every point's direction and
inverse distance. Good to about a degree, whatever a third of the matches say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, minimum_spanning_tree

from autocal.errors import SolveError
from autocal.geometry.epipolar import horizontal_disparity, inverse_distance, robust_spread, sampson_miss
from autocal.geometry.lens import Array
from autocal.geometry.parameters import RIG_NAMES, rig_from_vector, vector_from_rig
from autocal.geometry.rig import Rig
from autocal.geometry.rotation import matrix_from_rotation_vector, skew_matrix
from autocal.matches import EyePairs, Matches
from autocal.solver.prior import BASELINE_SIGMA, INDEPENDENT_CAUSES, ROTATION_SIGMA

_HYPOTHESES = 600
#: Of the motion between two frames: one in a million goes wrong where three matches in five are.
_MOTIONS = 200
_FEWEST_PAIRS = 30
_ENOUGH_PAIRS, _ENOUGH_POINTS = 2000, 500  # to start from: between the eyes, and between two frames
_FEWEST_LINKS = 20  # tracks that two frames must share before their poses are tied
_ROUNDS = 12
#: How well nominal lenses can describe real ones: any tighter, their misfit would pass for evidence and
#: drive the baseline's direction away.
_MISFIT = np.deg2rad(0.3)
_CLEAR = np.deg2rad(0.3)  # disparity of what is clearly near, or beyond infinity
_MANY_BEYOND = 0.05  # of all pairs; where the eyes are in order and the lenses solved it is none
_NEAREST = 0.3  # inverse distance, per baseline, of the nearest thing worth starting from


@dataclass(frozen=True, eq=False)
class Start:
    """rig: nominal lenses, turned. R_rig: (frames, 3, 3), rig from world, and position: (frames, 3), of the
    rig in the world. point: (tracks, 4), homogeneous, in the world. Lengths in baselines.
    fixed: (frames,) bool, the first frame of every set of linked frames."""

    rig: Rig
    R_rig: Array
    position: Array
    point: Array
    fixed: NDArray[np.bool_]


def relative_start(pairs: EyePairs, rig: Rig, rng: np.random.Generator) -> Rig:
    """Turn a nominal rig so that eye-to-eye pairs meet: three samples at a time, then reweighted.

    Raises SolveError where too few pairs agree.
    """
    if len(pairs) < _FEWEST_PAIRS:
        raise SolveError(
            f"only {len(pairs)} points are seen by both eyes, {_FEWEST_PAIRS} are needed: film a scene "
            "with more texture, better lit, and check that the clip holds both eyes side by side"
        )
    a, b = rig.left.unproject(pairs.pixel_left), rig.right.unproject(pairs.pixel_right)
    usable = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
    a, b = a[usable], b[usable]
    vector = vector_from_rig(rig)
    rows, value = _constraint(a @ rig.R_left, b @ rig.R_right)
    samples = rng.integers(0, len(a), (_HYPOTHESES, 3))
    turns = _solved(rows[samples][:, :, :3], -value[samples])
    turns = turns[(np.linalg.norm(turns, axis=1) < 4 * ROTATION_SIGMA)]
    turns = np.concatenate([np.zeros((1, 3)), turns])
    few = slice(None, None, -(-len(a) // _ENOUGH_PAIRS))
    a, b, rows, value = a[few], b[few], rows[few], value[few]
    misses = np.abs(value + turns @ rows[:, :3].T) / np.linalg.norm(rows[:, :3], axis=1)
    best = np.argmin(np.minimum(misses, np.deg2rad(0.5)).sum(axis=1))
    vector[:3] += _into_camera(rig, turns[best])

    scale = np.deg2rad(0.5)
    causes = min(1.0, INDEPENDENT_CAUSES / len(a))
    prior = np.r_[np.full(3, ROTATION_SIGMA), np.full(2, BASELINE_SIGMA)]
    for _ in range(_ROUNDS):
        turned = rig_from_vector(vector, rig)
        left, right = a @ turned.R_left, b @ turned.R_right
        miss = sampson_miss(left, right)
        rows, value = _constraint(left, right)
        length = value / np.where(np.abs(miss) > 1e-12, miss, np.inf)
        length = np.where(np.abs(length) > 1e-9, length, np.sqrt(2.0))
        weight = causes / (1 + (miss / scale) ** 2) ** 2 / (length * scale) ** 2
        normal = (rows * weight[:, None]).T @ rows + np.diag(1 / prior**2)
        step = np.linalg.solve(normal, -(rows * weight[:, None]).T @ value)
        vector[:3] += _into_camera(turned, step[:3])
        vector[3:5] += step[3:]
        agreeing = miss[np.abs(miss) < 3 * scale]
        if agreeing.size:
            scale = max(3 * robust_spread(agreeing), _MISFIT)
    return rig_from_vector(vector, rig)


def eyes_swapped(pairs: EyePairs, rig: Rig) -> bool:
    """Whether the eyes are the other way round: in the right order near points lie in front of both.

    The swap mirrors all disparities, so near things would lie beyond infinity. Near things are what
    sticks out of the distribution: decided by sign, and by its long tail where signs are even.
    """
    disparity = _disparities(pairs, rig)
    if disparity.size < _FEWEST_PAIRS:
        return False
    near, beyond = np.count_nonzero(disparity > _CLEAR), np.count_nonzero(disparity < -_CLEAR)
    if max(near, beyond) > 3 * min(near, beyond) + 10:
        return bool(beyond > near)
    return _sticks_out_beyond(disparity)


def eyes_doubtful(pairs: EyePairs, rig: Rig) -> bool:
    """Whether a solved rig looks as if its eyes were the other way round: many points lie clearly beyond
    infinity, and so does what sticks out. A wrong yaw alone moves all things, and near ones stick out."""
    disparity = _disparities(pairs, rig)
    if disparity.size < _FEWEST_PAIRS:
        return False
    return bool(np.mean(disparity < -_CLEAR) > _MANY_BEYOND) and _sticks_out_beyond(disparity)


def _disparities(pairs: EyePairs, rig: Rig) -> Array:
    """Horizontal disparities (m,), rad, of the pairs that meet."""
    left, right = rig.directions(0, pairs.pixel_left), rig.directions(1, pairs.pixel_right)
    good = np.abs(sampson_miss(left, right)) < _MISFIT
    disparity = horizontal_disparity(left[good], right[good])
    return disparity[np.abs(disparity) < np.deg2rad(30)]


def _sticks_out_beyond(disparity: Array) -> bool:
    low, middle, high = np.percentile(disparity, [3, 50, 97])
    return bool(high - middle < middle - low)


def start(matches: Matches, rig: Rig, rng: np.random.Generator) -> Start:
    """Poses and points for a rig whose eyes are already turned (`relative_start`)."""
    direction = np.empty((len(matches), 3))
    for eye in (0, 1):
        rows = matches.eye == eye
        direction[rows] = rig.directions(eye, matches.pixel[rows])
    # A pixel outside the nominal lens still needs some ray to begin with.
    direction = np.where(np.isfinite(direction), direction, [0.0, 0.0, 1.0])
    rho = _inverse_distances(matches, direction)
    R_rig, position, fixed = _poses(matches, direction, rho, rng)
    return Start(rig, R_rig, position, _points(matches, direction, rho, R_rig, position), fixed)


def _constraint(left: Array, right: Array) -> tuple[Array, Array]:
    """The epipolar constraint to first order in a small turn and a small change of the baseline.

    left, right: (n, 3), rectified. Returns rows (n, 5) by (turn about the rig's x, y, z, half of it
    by each eye; baseline yaw; baseline roll) and the value (n,) at zero.
    """
    e = np.cross(left, right)
    x = np.eye(3)[0]
    turn = left[:, :1] * right + right[:, :1] * left
    turn = 0.5 * (turn - 2 * np.sum(left * right, axis=1, keepdims=True) * x)
    return np.concatenate([turn, -e[:, 2:], e[:, 1:2]], axis=1), e[:, 0]


def _solved(A: Array, b: Array) -> Array:
    """Solutions of small systems (n, 3, 3), (n, 3); those that are singular are left out."""
    fine = np.abs(np.linalg.det(A)) > 1e-9
    return np.linalg.solve(A[fine], b[fine][..., None])[..., 0]


def _into_camera(rig: Rig, turn: Array) -> Array:
    """A small turn of the constraint, in the rig frame, as a change of the rotation vector.

    The constraint turns the left view by exp(t/2) and the right one by exp(-t/2), in the rig frame;
    the rotation vector lives in the mean camera, which the baseline's direction sets apart from it.
    """
    mean = matrix_from_rotation_vector(vector_from_rig(rig)[: len(RIG_NAMES)][:3] / 2) @ rig.R_left
    return mean @ turn


def _poses(
    matches: Matches, direction: Array, rho: Array, rng: np.random.Generator
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Rig-from-world rotations and positions along the best linked frames, and the frames they hang on."""
    frames = matches.frames
    image = matches.frame * 2 + matches.eye
    seen = coo_array(
        (np.ones(len(matches)), (matches.track, image)), shape=(int(matches.track.max()) + 1, 2 * frames)
    ).tocsc()
    shared_images = (seen.T @ seen).toarray()
    shared = shared_images[0::2, 0::2] + shared_images[1::2, 1::2]  # same eye, two frames
    np.fill_diagonal(shared, 0)
    shared[shared < _FEWEST_LINKS] = 0
    with np.errstate(divide="ignore"):
        tree = minimum_spanning_tree(np.where(shared > 0, 1.0 / shared, 0.0))
    R_rig = np.tile(np.eye(3), (frames, 1, 1))
    position = np.zeros((frames, 3))
    fixed = np.zeros(frames, dtype=bool)
    placed = np.zeros(frames, dtype=bool)
    for root in range(frames):
        if placed[root]:
            continue
        fixed[root] = True
        order, before = breadth_first_order(tree, root, directed=False)
        placed[order] = True
        for frame in order[1:]:
            parent = before[frame]
            R, shift = _motion_between(matches, direction, rho, parent, frame, rng)
            R_rig[frame] = R @ R_rig[parent]
            position[frame] = position[parent] + R_rig[frame].T @ shift
    return R_rig, position, fixed


def _motion_between(
    matches: Matches, direction: Array, rho: Array, a: int, b: int, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Turn R_b_from_a of the rig, and its move in the frame of b, baselines, from tracks an eye sees twice.

    A point at direction d and inverse distance rho in the rig at a is seen at b along R d - rho (t + c),
    c the eye's place: linear in t and in a small turn. Samples of two fix a turn as if all were far,
    samples of three refine it and find t where rho is known; reweighting does the rest.
    """
    from_rows, to_rows = [], []
    for eye in (0, 1):
        in_a = np.flatnonzero((matches.frame == a) & (matches.eye == eye))
        in_b = np.flatnonzero((matches.frame == b) & (matches.eye == eye))
        _, ia, ib = np.intersect1d(matches.track[in_a], matches.track[in_b], return_indices=True)
        from_rows.append(in_a[ia])
        to_rows.append(in_b[ib])
    rows_a, rows_b = np.concatenate(from_rows), np.concatenate(to_rows)
    u, v = direction[rows_a], direction[rows_b]
    pick = rng.integers(0, len(u), (_MOTIONS, 2))
    R = _align_pairs(u[pick[:, 0]], u[pick[:, 1]], v[pick[:, 0]], v[pick[:, 1]])
    few = rng.permutation(len(u))[:_ENOUGH_POINTS]
    cosine = R.reshape(-1, 9) @ (v[few, :, None] * u[few, None, :]).reshape(-1, 9).T
    miss = np.sqrt(np.maximum(2 - 2 * cosine, 0.0))
    best = R[np.argmin(np.minimum(miss, np.deg2rad(3.0)).sum(axis=1))]

    known = np.flatnonzero(np.isfinite(rho[rows_a]))
    if len(known) < _FEWEST_LINKS:
        return best, np.zeros(3)
    known = rng.permutation(known)[:_ENOUGH_POINTS]
    u, v, depth = u[known], v[known], rho[rows_a[known]]
    centre = np.where(matches.eye[rows_a[known]] == 0, -0.5, 0.5)[:, None] * np.eye(3)[0]
    # From the eye's ray at a to the rig's: d = u + rho c, to first order in the baseline.
    d = u + depth[:, None] * centre
    shift = np.zeros(3)
    A, y = _motion_rows(best, shift, d, depth, centre, v)
    triples = rng.integers(0, len(u), (_MOTIONS, 3))
    steps = _small_steps(A[triples], y[triples])
    steps = np.concatenate([np.zeros((1, 6)), steps])
    misses = np.sqrt(sum((y[:, row] - steps @ A[:, row].T) ** 2 for row in range(3)))
    step = steps[np.argmin(np.minimum(misses, np.deg2rad(2.0)).sum(axis=1))]
    scale = np.deg2rad(2.0)
    for _ in range(8):
        best, shift = matrix_from_rotation_vector(step[:3]) @ best, shift + step[3:]
        A, y = _motion_rows(best, shift, d, depth, centre, v)
        weight = 1 / (1 + np.sum(y * y, axis=1) / scale**2) ** 2
        rows = A.reshape(-1, 6)
        weighted = rows * np.repeat(weight, 3)[:, None]
        step = np.linalg.solve(weighted.T @ rows + 1e-9 * np.eye(6), weighted.T @ y.ravel())
        scale = max(0.7 * scale, _MISFIT)
    return best, shift


def _motion_rows(
    R: Array, shift: Array, d: Array, rho: Array, centre: Array, v: Array
) -> tuple[Array, Array]:
    """Rows (n, 3, 6) and values (n, 3) of v x ((1 + [w]) R d - rho (t + c)) = 0 by w and the change of t."""
    turned = d @ R.T
    length = np.linalg.norm(turned - rho[:, None] * (shift + centre), axis=1)[:, None]
    cross = skew_matrix(v)
    by_turn = cross @ skew_matrix(turned / length)
    rows = np.concatenate([by_turn, cross * (rho / length[:, 0])[:, None, None]], axis=2)
    return rows, np.cross(v, turned - rho[:, None] * (shift + centre)) / length


def _small_steps(A: Array, y: Array) -> Array:
    """Least squares steps (n, 6) of samples of three matches, wild ones left out.

    A: (n, 3, 3, 6); y: (n, 3, 3).
    """
    A, y = A.reshape(len(A), 9, 6), y.reshape(len(y), 9)
    normal = A.transpose(0, 2, 1) @ A + 1e-8 * np.eye(6)
    steps = np.linalg.solve(normal, (A.transpose(0, 2, 1) @ y[..., None]))[..., 0]
    return steps[np.linalg.norm(steps[:, :3], axis=1) < np.deg2rad(20.0)]


def _align_pairs(u1: Array, u2: Array, v1: Array, v2: Array) -> Array:
    """Rotations (n, 3, 3) that take the frame spanned by u1, u2 to that of v1, v2."""

    def basis(p: Array, q: Array) -> Array:
        z = np.cross(p, q)
        z /= np.maximum(np.linalg.norm(z, axis=1, keepdims=True), 1e-12)
        m = p + q
        m /= np.maximum(np.linalg.norm(m, axis=1, keepdims=True), 1e-12)
        return np.stack([m, np.cross(z, m), z], axis=2)

    return basis(v1, v2) @ basis(u1, u2).transpose(0, 2, 1)


def _inverse_distances(matches: Matches, direction: Array) -> Array:
    """(n,): for each observation, of its point, from the pair of eyes in that frame.

    NaN without a pair whose rays meet.
    """
    rho = np.full(len(matches), np.nan)
    pairs = matches.eye_pairs()
    left, right = direction[pairs.left], direction[pairs.right]
    value = inverse_distance(left, right, 1.0)
    meets = (np.abs(sampson_miss(left, right)) < 2 * _MISFIT) & (np.abs(value) < _NEAREST)
    value = np.where(meets, np.maximum(value, 0.0), np.nan)
    rho[pairs.left] = rho[pairs.right] = value
    return rho


def _points(matches: Matches, direction: Array, rho: Array, R_rig: Array, position: Array) -> Array:
    """Homogeneous points (tracks, 4) from each track's first sight, by both eyes where there is one."""
    tracks = int(matches.track.max()) + 1
    row = np.searchsorted(matches.track, np.arange(tracks))
    pairs = matches.eye_pairs()
    met = np.flatnonzero(np.isfinite(rho[pairs.left]))
    track_of_pair, first = np.unique(matches.track[pairs.left[met]], return_index=True)
    at = met[first]
    row[track_of_pair] = pairs.left[at]
    ray = direction[row].copy()
    ray[track_of_pair] += direction[pairs.right[at]]
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    inverse = np.nan_to_num(rho[row])[:, None]
    frame = matches.frame[row]
    world = np.einsum("nji,nj->ni", R_rig[frame], ray) + inverse * position[frame]
    point = np.concatenate([world, inverse], axis=1)
    return point / np.linalg.norm(point, axis=1, keepdims=True)
