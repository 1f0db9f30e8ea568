"""The main job from end to end: footage in, a calibration out, with what the pictures need."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from autocal.beforehand import (
    Remarks,
    SolveOptions,
    circle_of,
    half_lenses,
    prior_of,
    refuse_nonsense,
    with_start_as_filmed,
)
from autocal.calibration import Calibration, Footage, Held, Quality
from autocal.converge import far_edge, far_plane
from autocal.errors import FootageError, MatchError, SolveError
from autocal.footage import Picture, StereoFrame, find_image_circles, open_footage
from autocal.footage.source import Footage as OpenFootage
from autocal.geometry import Rig, vertical_disparity
from autocal.geometry.epipolar import robust_spread
from autocal.geometry.lens import Array
from autocal.geometry.parameters import LENS_NAMES, NAMES, vector_from_rig
from autocal.matches import EyePairs, Ints, Matches
from autocal.solver.prior import Prior

if TYPE_CHECKING:
    from autocal.solver.staged import Solution, Unseen
    from autocal.solver.uncertainty import FieldUncertainty

Progress = Callable[[str, int, int], None]
Showing = Callable[[tuple[Picture, Picture], Rig], None]
Judging = Callable[[Rig, "PairsSeen", Rig], None]

_RIM_DEG, _LITTLE_RIM = 60.0, 0.05
_RINGS_DEG, _AROUND, _MIDDLE_DEG = (15, 30, 45, 60, 75, 85), 12, 60.5
_CHECK_LENS = (
    "check --fov (or --focal-mm and --pixel-um) and --projection; a calibration given with --start must be "
    "of these very lenses"
)


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
    picture of frame number `picture_frame` (of those used).
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


def solve(
    clips: Sequence[str | Path],
    *,
    left: str | Path | None = None,
    right: str | Path | None = None,
    options: SolveOptions | None = None,
    progress: Progress | None = None,
    showing: Showing | None = None,
    judging: Judging | None = None,
) -> Solved:
    """Calibrate a rig from footage: side-by-side clips or stills, or a left and a right file.

    showing: is called with what becomes `Solved.picture` and `Solved.nominal`, in a thread beside the solver;
    and once more where they turn out otherwise, as the eyes are exchanged. judging: may be called, while the
    solver works, with what becomes `Solved.nominal`, `Solved.unseen` and `Solved.unseen_rig`.

    Raises FootageError, MatchError, LensError or SolveError with what is wrong and what to do.
    """
    options = options or SolveOptions()
    tell = progress or (lambda stage, done, total: None)
    show = showing or (lambda picture, nominal: None)
    refuse_nonsense(options)
    log = Remarks()
    rng = np.random.default_rng(options.seed)
    side_files = [None if path is None else Path(path) for path in (left, right)]
    with open_footage([Path(clip) for clip in clips], left=side_files[0], right=side_files[1]) as footage:
        survey = footage.choose(options.frames, progress=tell)
        bursts = footage.bursts(survey, joined=True)  # already: the first are decoded meanwhile
        circles = find_image_circles(survey)
        options = with_start_as_filmed(options, footage.half_size)
        halves = half_lenses(footage.half_size, circles, options, log)
        prior = prior_of(halves, circles, options, log)
        taken: list[tuple[int, int, float]] = []  # clip, index and time of each frame

        def noted(burst: Iterable[StereoFrame]) -> Iterator[StereoFrame]:
            for frame in burst:
                taken.append((frame.clip, frame.index, frame.time_s))
                yield frame

        from autocal.matching import match_bursts

        total = sum(len(burst.indices) for burst in survey.bursts)
        with _naming(footage):
            matched = match_bursts(
                map(noted, bursts),
                (circle_of(circles[0], halves[0]), circle_of(circles[1], halves[1])),
                halves,
                rng=rng,
                frames=total,
                device=options.device,
                progress=lambda done, found: tell("matches", min(done, total), total),
            )
        frame = matched.fullest  # the one worth looking at
        picture = footage.as_seen(*taken[frame][:2], matched.fullest_halves)
    # Closed already: the decoder holds hundreds of megabytes, in which the ST map will find room.
    if options.eyes == "right-left":
        picture = picture[1], picture[0]
    nominal = _nominal(prior, options)
    with _beside() as (beside, given_up), _naming(footage):  # the solver leaves a core idle
        seen = beside.submit(show, picture, nominal)
        summed = beside.submit(footage.digest, given_up)

        def judged(unseen: EyePairs, rig: Rig, swapped: bool) -> None:
            if judging is not None:
                judging(_as_found(nominal, swapped, options), _all_seen(unseen), rig)

        solution = _solved(matched.matches, prior, rng, options, tell, judged)
        tell("digest", 0, 1)
        seen.result()
        digest = summed.result()
        tell("digest", 1, 1)
    found = _as_found(nominal, solution.swapped, options)
    if found is not nominal:
        picture, nominal = (picture[1], picture[0]), found
        show(picture, nominal)
    facts = Footage(
        files=tuple(str(path) for path in footage.files),
        digest=digest,
        frame_size=(2 * footage.half_size[0], footage.half_size[1]),
        frames=tuple((index, time_s) for _, index, time_s in taken),
        swapped=solution.swapped,
        observations=int(solution.inlier.sum()),
        tracks=solution.matches.where(solution.inlier).tracks,
        notes=(*footage.notes, *matched.notes),
    )
    return _assembled(solution, nominal, facts, options, log, picture, frame)


@contextmanager
def _beside() -> Iterator[tuple[Executor, Event]]:
    """A thread for work beside the block's; the event is set where the block ends in an exception."""
    given_up = Event()
    with ThreadPoolExecutor(1) as thread:
        try:
            yield thread, given_up
        except BaseException:
            given_up.set()
            raise


@contextmanager
def _naming(footage: OpenFootage) -> Iterator[None]:
    """Errors of matching and solving know matches, not the files they came from: this says which."""
    try:
        yield
    except (MatchError, SolveError) as error:
        first, *others = footage.files
        more = f" and {others[0] if len(others) == 1 else f'{len(others)} more'}" if others else ""
        raise type(error)(f"{first}{more}: {error}") from error


def _solved(
    matches: Matches,
    prior: Prior,
    rng: np.random.Generator,
    options: SolveOptions,
    tell: Progress,
    judged: Unseen | None = None,
) -> Solution:
    from autocal.solver.staged import solve_matches

    return solve_matches(
        matches,
        prior,
        rng=rng,
        eyes=options.eyes,
        hold_lenses=options.hold_lenses,
        device=options.device,
        progress=tell,
        judged=judged,
    )


def _nominal(prior: Prior, options: SolveOptions) -> Rig:
    """The rig before any correction: as it was known to be, or without rotation."""
    rig = prior.rig
    if options.start is not None:
        return rig
    return Rig(rig.left, rig.right, np.eye(3), np.eye(3), rig.baseline_mm)


def _as_found(nominal: Rig, swapped: bool, options: SolveOptions) -> Rig:
    """The nominal rig with the eyes as they were found to be."""
    return nominal.exchanged() if swapped and options.eyes == "auto" else nominal


def _assembled(
    solution: Solution,
    nominal: Rig,
    facts: Footage,
    options: SolveOptions,
    log: Remarks,
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
    known = _field_uncertainty(solution)
    far, far_warnings = far_plane(edge, known.infinity_sigma(np.deg2rad(_MIDDLE_DEG)), options.far)
    calibration = Calibration(
        rig=rig,
        covariance=solution.covariance,
        solved=solution.solved,
        held=_held(solution, options),
        assumed=tuple(log.assumed),
        warnings=(*log.warnings, *_warnings(solution, directions[0], options.eyes), *far_warnings),
        far=far,
        swapped=solution.swapped,
        quality=_quality(solution, nominal, known),
        footage=facts,
        unit=options.unit,
        made=options.made,
    )
    return Solved(
        calibration=calibration,
        solution=solution,
        nominal=nominal,
        unseen=_all_seen(solution.unseen),
        unseen_rig=solution.unseen_rig,
        used=_seen(pairs, used),
        rejected=_seen(pairs, ~used),
        picture=picture,
        picture_frame=frame,
    )


def _all_seen(pairs: EyePairs) -> PairsSeen:
    return _seen(pairs, np.ones(len(pairs), dtype=bool))


def _seen(pairs: EyePairs, rows: NDArray[np.bool_]) -> PairsSeen:
    return PairsSeen(pairs.pixel_left[rows], pairs.pixel_right[rows], pairs.frame[rows])


def _held(solution: Solution, options: SolveOptions) -> tuple[Held, ...]:
    held = [
        Held(j.stage.names, j.reason, _CHECK_LENS if j.contradicts else j.stage.film)
        for j in solution.judged
        if not j.kept
    ]
    if options.hold_lenses:
        lens = tuple(name for name in NAMES if name.removesuffix("_difference") in LENS_NAMES)
        held.append(
            Held(lens, "the lenses were held as asked", "solve without --hold lenses to release them")
        )
    return tuple(held)


def _quality(solution: Solution, nominal: Rig, known: FieldUncertainty) -> Quality:
    """Measured on matches kept out, with the rig that was solved without them."""
    from autocal.solver.staged import unseen_misses

    unseen, rig = solution.unseen, solution.unseen_rig
    if not len(unseen):
        raise FootageError("no match could be kept out to judge the solve by: film a scene with more texture")

    def vertical(of: Rig) -> Array:
        left, right = of.directions(0, unseen.pixel_left), of.directions(1, unseen.pixel_right)
        return np.rad2deg(vertical_disparity(left, right)) * 60

    after = vertical(rig)
    after = after[np.isfinite(after)]
    return Quality(
        unseen_matches=len(unseen),
        vertical_before_arcmin=robust_spread(vertical(nominal)),
        vertical_after_arcmin=robust_spread(after),
        vertical_p95_arcmin=float(np.percentile(np.abs(after), 95)),
        miss_px=robust_spread(unseen_misses(vector_from_rig(rig), unseen, rig)),
        map_sigma_deg=float(np.rad2deg(np.sqrt(np.mean(known.map_sigma() ** 2)))),
    )


def _field_uncertainty(solution: Solution) -> FieldUncertainty:
    """Of the solution, over directions all over the field: more where there is more of it."""
    from autocal.solver.uncertainty import FieldUncertainty

    angle = np.repeat(np.deg2rad(_RINGS_DEG), _AROUND)
    turn = np.tile(np.linspace(0, 2 * np.pi, _AROUND, endpoint=False), len(_RINGS_DEG))
    field = np.stack([np.sin(angle) * np.cos(turn), np.sin(angle) * np.sin(turn), np.cos(angle)], axis=1)
    return FieldUncertainty.of(solution.rig, solution.covariance, field)


def _warnings(solution: Solution, left: Array, eyes: str) -> list[str]:
    """left: (n, 3), where the left eye sees the matches used. eyes: as the options have it."""
    from autocal.solver.start import eyes_doubtful

    warnings = []
    if eyes != "auto" and eyes_doubtful(solution.matches.eye_pairs(), solution.rig):
        other = "left-right" if eyes == "right-left" else "right-left"
        warnings.append(
            "near things are seen as if they lay behind the furthest ones: the eyes are hardly "
            f"{eyes}; solve with --eyes {other}"
        )
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
    if any(j.contradicts for j in solution.judged):
        warnings.append(
            "the footage asks for another lens than was stated or assumed, further off than such lenses "
            f"differ: the result is doubtful; {_CHECK_LENS}"
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
