"""The main job from end to end: footage in, a calibration out, with what the pictures need."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from autocal.calibration import Calibration, Footage, Held, Quality
from autocal.converge import far_edge, far_plane
from autocal.errors import FootageError, LensError, MatchError, SolveError
from autocal.footage import FoundCircle, Picture, find_image_circles, open_footage
from autocal.footage.source import Footage as OpenFootage
from autocal.geometry import ImageCircle, Lens, Rig, horizontal_disparity, nominal_lens, vertical_disparity
from autocal.geometry.epipolar import robust_spread
from autocal.geometry.lens import Array
from autocal.geometry.parameters import LENS_NAMES, NAMES, rig_from_vector, vector_from_rig
from autocal.matches import EyePairs, Ints
from autocal.solver.freedom import prior_sigmas
from autocal.solver.staged import Prior, Solution, solve_matches, unseen_misses
from autocal.solver.start import ROTATION_SIGMA
from autocal.solver.uncertainty import field_sigmas

Progress = Callable[[str, int, int], None]

_ASSUMED_FOV_DEG = 180.0
#: How far a stated field of view or focal length, or an assumed one, may be from the truth (relative
#: sigmas; common practice, no source: data sheets round, and the circle's rim is soft).
_STATED, _ASSUMED = 0.03, 0.08
#: Equidistant field of view that a stated focal length may make of the image circle; other projections
#: differ from it by less than this leaves room for.
_NARROWEST_SEEN_DEG, _WIDEST_SEEN_DEG = 60.0, 300.0
_KNOCK_BASELINE_SIGMA = np.deg2rad(0.5)
_RIM_DEG, _LITTLE_RIM = 60.0, 0.05


@dataclass(frozen=True)
class SolveOptions:
    """What is known or wanted beforehand; everything may be left out.

    fov_deg: across the image circle. focal_mm with pixel_um: the lens's focal length and the sensor's
    pixel pitch as recorded. projection: equidistant, equisolid, stereographic, orthographic.
    eyes: "auto", "left-right" or "right-left". start: an earlier calibration as the prior.
    hold_lenses: solve rotation and baseline direction only. far: "auto", "infinity" or degrees kept.
    made: when, ISO 8601, stored as given.
    """

    fov_deg: float | None = None
    focal_mm: float | None = None
    pixel_um: float | None = None
    projection: str = "equidistant"
    baseline_mm: float | None = None
    eyes: str = "auto"
    start: Calibration | None = None
    hold_lenses: bool = False
    frames: int = 24
    seed: int = 0
    far: str | float = "auto"
    unit: str | None = None
    made: str | None = None
    device: str = "cpu"


@dataclass(frozen=True, eq=False)
class PairsSeen:
    """Eye pairs as pictures show them: px in the left and the right eye's half, (m, 2), and frame (m,)."""

    left: Array
    right: Array
    frame: Ints


@dataclass(frozen=True, eq=False)
class Solved:
    """A calibration with what shows that it is right.

    nominal: the rig before any correction. unseen: pairs the judged solve did not use, unseen_rig: what
    it found without them. used, rejected: pairs of the final solve. picture: the left and right eye's
    picture of frame number `picture_frame` (of those used). horizontal: (m,) rad, of the used pairs.
    """

    calibration: Calibration
    solution: Solution
    nominal: Rig
    unseen: PairsSeen
    unseen_rig: Rig
    used: PairsSeen
    rejected: PairsSeen
    picture: tuple[Picture, Picture]
    picture_frame: int


@dataclass
class _Log:
    assumed: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def solve(
    clips: Sequence[str | Path],
    *,
    left: str | Path | None = None,
    right: str | Path | None = None,
    options: SolveOptions | None = None,
    progress: Progress | None = None,
) -> Solved:
    """Calibrate a rig from footage: side-by-side clips or stills, or a left and a right file.

    Raises FootageError, MatchError, LensError or SolveError with what is wrong and what to do.
    """
    options = options or SolveOptions()
    tell = progress or (lambda stage, done, total: None)
    _refuse_nonsense(options)
    log = _Log()
    rng = np.random.default_rng(options.seed)
    side_files = [None if path is None else Path(path) for path in (left, right)]
    with open_footage([Path(clip) for clip in clips], left=side_files[0], right=side_files[1]) as footage:
        survey = footage.choose(options.frames, progress=tell)
        circles = find_image_circles(survey)
        options = _with_start_as_filmed(options, footage.half_size)
        halves = _half_lenses(footage, circles, options, log)
        prior = _prior(halves, circles, options, log)
        chosen: list[tuple[int, float]] = []
        places: list[tuple[int, int]] = []

        def bursts():  # type: ignore[no-untyped-def]
            for burst in footage.bursts(survey):
                chosen.extend((frame.index, frame.time_s) for frame in burst)
                places.extend((frame.clip, frame.index) for frame in burst)
                yield burst

        from autocal.matching import match_bursts

        total = sum(len(burst.indices) for burst in survey.bursts)
        try:
            matched = match_bursts(
                bursts(),
                (_circle(circles[0], halves[0]), _circle(circles[1], halves[1])),
                halves,
                rng=rng,
                device=options.device,
                progress=lambda done, found: tell("matches", min(done, total), total),
            )
            solution = solve_matches(
                matched.matches,
                prior,
                rng=rng,
                eyes=options.eyes,
                hold_lenses=options.hold_lenses,
                device=options.device,
                progress=tell,
            )
        except (MatchError, SolveError) as error:  # they know matches, not the files they came from
            raise type(error)(f"{_named(footage)}: {error}") from error
        frame = _showing_frame(solution)
        picture = footage.picture(*places[frame])
        if solution.swapped:
            picture = (picture[1], picture[0])
        tell("digest", 0, 1)
        facts = Footage(
            files=tuple(str(path) for path in footage.files),
            digest=footage.digest(),
            frame_size=(2 * footage.half_size[0], footage.half_size[1]),
            frames=tuple(chosen),
            swapped=solution.swapped,
            observations=int(solution.inlier.sum()),
            tracks=solution.matches.where(solution.inlier).tracks,
            notes=(*footage.notes, *matched.notes),
        )
        tell("digest", 1, 1)
    return _assembled(solution, prior, facts, options, log, picture, frame)


def _refuse_nonsense(options: SolveOptions) -> None:
    """LensError, before any footage is read, where what is said of the lens cannot be."""
    if (options.focal_mm is None) != (options.pixel_um is None):
        raise LensError("--focal-mm needs --pixel-um beside it, and the other way round")
    if options.focal_mm is not None and options.fov_deg is not None:
        raise LensError("--fov and --focal-mm both say how wide the lens is: give only one of them")
    for name, value in (("--focal-mm", options.focal_mm), ("--pixel-um", options.pixel_um)):
        if value is not None and not 0 < value < np.inf:
            raise LensError(f"{name} {value:g} is no length: expected a number above zero")
    if options.fov_deg is not None:
        # Any circle will do: what can be wrong about a field of view does not depend on it.
        nominal_lens(
            (2, 2), ImageCircle(0.5, 0.5, 1.0), fov_deg=options.fov_deg, projection=options.projection
        )


def _named(footage: OpenFootage) -> str:
    first, *others = footage.files
    if not others:
        return str(first)
    return f"{first} and {others[0] if len(others) == 1 else f'{len(others)} more'}"


def _with_start_as_filmed(options: SolveOptions, half_size: tuple[int, int]) -> SolveOptions:
    """An earlier calibration carried over to this footage's size; with it the order of the eyes is known,
    unless said otherwise."""
    if options.start is None:
        return options
    from autocal.exchange.any_file import carried_over

    known = "right-left" if options.start.swapped else "left-right"
    eyes = known if options.eyes == "auto" else options.eyes
    return replace(options, start=carried_over(options.start, half_size), eyes=eyes)


def _half_lenses(
    footage: OpenFootage, circles: tuple[FoundCircle, FoundCircle], options: SolveOptions, log: _Log
) -> tuple[Lens, Lens]:
    """The nominal lens of the first and the second half."""
    if options.start is not None:
        rig = options.start.rig
        return (rig.right, rig.left) if options.eyes == "right-left" else (rig.left, rig.right)
    focal_px = None
    fov_deg = options.fov_deg
    if options.focal_mm is not None and options.pixel_um is not None:
        focal_px = 1000.0 * options.focal_mm / options.pixel_um
    elif fov_deg is None:
        fov_deg = _ASSUMED_FOV_DEG
        log.assumed.append(
            f"a field of view of {fov_deg:g} degrees across the image circle (say --fov to state it)"
        )
    if any(not circle.found for circle in circles):
        log.warnings.append(circles[0].reason if not circles[0].found else circles[1].reason)
    log.assumed.append(f"an {options.projection} projection to begin with")
    lenses = [
        nominal_lens(
            footage.half_size, found.circle, fov_deg=fov_deg, focal_px=focal_px, projection=options.projection
        )
        for found in circles
    ]
    if focal_px is not None:
        _refuse_unlikely_focal(lenses[0], circles[0])
    return lenses[0], lenses[1]


def _refuse_unlikely_focal(lens: Lens, found: FoundCircle) -> None:
    """LensError where a stated focal length does not go with the image circle in the footage."""
    seen_deg = np.rad2deg(found.circle.radius / lens.focal_px) * 2
    if found.found and not _NARROWEST_SEEN_DEG <= seen_deg <= _WIDEST_SEEN_DEG:
        raise LensError(
            f"--focal-mm over --pixel-um makes {lens.focal_px:.0f} px, by which the image circle of "
            f"{2 * found.circle.radius:.0f} px would span about {seen_deg:.0f} degrees; check both (the "
            "pitch is that of the footage: a sensor read out at half its size has pixels twice as large)"
        )


def _circle(found: FoundCircle, lens: Lens) -> ImageCircle:
    return found.circle if found.found or lens.circle is None else lens.circle


def _prior(
    halves: tuple[Lens, Lens], circles: tuple[FoundCircle, FoundCircle], options: SolveOptions, log: _Log
) -> Prior:
    """What is known before matching, with `left` the left eye's lens as far as is known."""
    first, second = halves[::-1] if options.eyes == "right-left" else halves
    baseline = options.baseline_mm
    start = options.start
    if baseline is None:
        baseline = start.rig.baseline_mm if start else 60.0
        if start is None:
            log.assumed.append(
                "a baseline of 60 mm (say --baseline-mm to state it): it scales distances only"
            )
    if start is None:
        stated = options.fov_deg is not None or options.focal_mm is not None
        sigmas = prior_sigmas(
            Rig(first, second, np.eye(3), np.eye(3), baseline),
            focal_sigma=_STATED if stated else _ASSUMED,
            circles_found=all(circle.found for circle in circles),
        )
        return Prior(Rig(first, second, np.eye(3), np.eye(3), baseline), np.diag(sigmas**2))
    rig = Rig(first, second, start.rig.R_left, start.rig.R_right, baseline)
    known = start.covariance
    wide = prior_sigmas(rig, focal_sigma=0.01, circles_found=True)
    if not np.any(known):
        log.assumed.append(
            "lenses as certain as a careful chart calibration: the earlier calibration has no sigmas"
        )
        known = np.diag((0.2 * wide) ** 2)
    # A knock turns the eyes; lenses stay what they were. A floor keeps the prior invertible.
    loose = np.zeros(len(NAMES))
    loose[:3], loose[3:5] = ROTATION_SIGMA, _KNOCK_BASELINE_SIGMA
    return Prior(rig, known + np.diag(loose**2) + np.diag((1e-3 * wide) ** 2))


def _showing_frame(solution: Solution) -> int:
    """The number of the frame with the most used matches: the one worth looking at."""
    frames = solution.matches.frame[solution.inlier]
    return int(np.argmax(np.bincount(frames, minlength=solution.matches.frames)))


def _assembled(
    solution: Solution,
    prior: Prior,
    facts: Footage,
    options: SolveOptions,
    log: _Log,
    picture: tuple[Picture, Picture],
    frame: int,
) -> Solved:
    rig, matches = solution.rig, solution.matches
    pairs = matches.eye_pairs()
    used = solution.inlier[pairs.left] & solution.inlier[pairs.right]
    directions = rig.directions(0, pairs.pixel_left[used]), rig.directions(1, pairs.pixel_right[used])
    focal = 0.5 * (rig.left.focal_px + rig.right.focal_px)
    sigma = np.sqrt(2.0) * solution.noise * pairs.sigma_px[used] / focal
    edge = far_edge(*directions, sigma, pairs.frame[used])
    far, far_warnings = far_plane(edge, _infinity_sigma(solution), options.far)
    nominal = Rig(prior.rig.left, prior.rig.right, np.eye(3), np.eye(3), prior.rig.baseline_mm)
    if options.start is not None:
        nominal = prior.rig
    if solution.swapped and options.eyes == "auto":
        nominal = Rig(nominal.right, nominal.left, nominal.R_right, nominal.R_left, nominal.baseline_mm)
    calibration = Calibration(
        rig=rig,
        covariance=solution.covariance,
        solved=solution.solved,
        held=_held(solution, options),
        assumed=tuple(log.assumed),
        warnings=(*log.warnings, *_warnings(solution, directions[0]), *far_warnings),
        far=far,
        swapped=solution.swapped,
        quality=_quality(solution, nominal),
        footage=facts,
        unit=options.unit,
        made=options.made,
    )
    return Solved(
        calibration=calibration,
        solution=solution,
        nominal=nominal,
        unseen=_seen(solution.unseen, np.ones(len(solution.unseen), dtype=bool)),
        unseen_rig=solution.unseen_rig,
        used=_seen(pairs, used),
        rejected=_seen(pairs, ~used),
        picture=picture,
        picture_frame=frame,
    )


def _seen(pairs: EyePairs, rows: NDArray[np.bool_]) -> PairsSeen:
    return PairsSeen(pairs.pixel_left[rows], pairs.pixel_right[rows], pairs.frame[rows])


def _held(solution: Solution, options: SolveOptions) -> tuple[Held, ...]:
    held = [Held(j.stage.names, j.reason, j.stage.film) for j in solution.judged if not j.kept]
    if options.hold_lenses:
        lens = tuple(name for name in NAMES if name.removesuffix("_difference") in LENS_NAMES)
        held.append(
            Held(lens, "the lenses were held as asked", "solve without --hold lenses to release them")
        )
    return tuple(held)


def _quality(solution: Solution, nominal: Rig) -> Quality:
    """Measured on matches kept out, with the rig that was solved without them."""
    unseen, rig = solution.unseen, solution.unseen_rig
    if not len(unseen):
        raise FootageError("no match could be kept out to judge the solve by: film a scene with more texture")

    def vertical(of: Rig) -> Array:
        left, right = of.directions(0, unseen.pixel_left), of.directions(1, unseen.pixel_right)
        return np.rad2deg(vertical_disparity(left, right)) * 60

    after = vertical(rig)
    after = after[np.isfinite(after)]
    map_sigma, _ = field_sigmas(solution.rig, vector_from_rig(solution.rig), solution.covariance, _field())
    return Quality(
        unseen_matches=len(unseen),
        vertical_before_arcmin=robust_spread(vertical(nominal)),
        vertical_after_arcmin=robust_spread(after),
        vertical_p95_arcmin=float(np.percentile(np.abs(after), 95)),
        miss_px=robust_spread(unseen_misses(vector_from_rig(rig), unseen, rig)),
        map_sigma_deg=float(np.rad2deg(np.sqrt(np.mean(map_sigma**2)))),
    )


def _infinity_sigma(solution: Solution) -> float:
    """Sigma, rad, of the mean horizontal disparity of distant points over the middle of the field."""
    rig, vector = solution.rig, vector_from_rig(solution.rig)
    pixels = [rig.pixels(eye, _field((15, 30, 45, 60))) for eye in (0, 1)]

    def mean_disparity(of: Array) -> float:
        moved = rig_from_vector(of, rig)
        return float(np.nanmean(horizontal_disparity(*(moved.directions(e, pixels[e]) for e in (0, 1)))))

    steps = 1e-3 * np.sqrt(np.diag(solution.covariance))
    slope = np.zeros(len(NAMES))
    for i in np.flatnonzero(steps):
        change = steps[i] * np.eye(len(NAMES))[i]
        slope[i] = (mean_disparity(vector + change) - mean_disparity(vector - change)) / (2 * steps[i])
    return float(np.sqrt(slope @ solution.covariance @ slope))


def _field(rings_deg: Sequence[float] = (15, 30, 45, 60, 75, 85), around: int = 12) -> Array:
    """Directions (n, 3) over the field, more where there is more of it."""
    angle = np.repeat(np.deg2rad(rings_deg), around)
    turn = np.tile(np.linspace(0, 2 * np.pi, around, endpoint=False), len(rings_deg))
    return np.stack([np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn), np.cos(angle)], axis=1)


def _warnings(solution: Solution, left: Array) -> list[str]:
    warnings = []
    if solution.matches.frames == 1:
        warnings.append(
            "one frame only: it fixes how the eyes are turned against each other; their lenses, and slow "
            "drift, need a clip"
        )
    elif not solution.moving:
        warnings.append(
            "the rig stood still: what both lenses share (focal length, shape, centre) stays near what was "
            "assumed; film while turning and walking to solve it"
        )
    rim = float(np.mean(left[:, 2] < np.cos(np.deg2rad(_RIM_DEG)))) if len(left) else 0.0
    if rim < _LITTLE_RIM:
        warnings.append(
            f"only {rim:.0%} of the matches lie beyond {_RIM_DEG:g} degrees off axis, where yaw and the "
            "lenses are decided: film a scene with texture all the way to the rim"
        )
    if not solution.converged:
        warnings.append(
            "the solve had not come to rest when it was stopped: use more frames, or a clearer clip"
        )
    return warnings
