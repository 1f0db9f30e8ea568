"""Makes the bundled sample clip and its truth again: `python -m samples.make_harbour --out FILE.mp4`."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

from samples import motions, rigs
from samples.clip import write_clip
from samples.harbour import harbour
from samples.truth import Truth


def harbour_rig(eye_px: int = 1536) -> Truth:
    """The sample's rig: angle a cubic in the radius, 190 degrees, two lenses that are not quite alike."""
    left = rigs.EyeSpec(
        rigs.angle_cubic_in_radius(0.012, 0.058), 0.4840 * eye_px, (-0.0021 * eye_px, 0.0033 * eye_px)
    )
    right = rigs.EyeSpec(
        rigs.angle_cubic_in_radius(0.010, 0.060), 0.4845 * eye_px, (0.0029 * eye_px, -0.0017 * eye_px)
    )
    return rigs.make_rig(left, right, (eye_px, eye_px), 190.0, (0.34, -0.27, 0.46), (0.22, -0.31), 0.064)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m samples.make_harbour", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="the film, for instance samples/harbour.mp4")
    parser.add_argument("--eye-px", type=int, default=1536, help="width and height of an eye's half")
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--samples", type=int, default=9, choices=(1, 4, 9), help="rays a pixel")
    parser.add_argument("--crf", type=int, default=24, help="x264's quality scale: lower is better, larger")
    parser.add_argument("--seed", type=int, default=7)
    options = parser.parse_args()
    truth = replace(harbour_rig(options.eye_px), poses=motions.walk(options.frames))
    notes: dict[str, object] = {"scene": "harbour at dusk", "seed": options.seed}
    write_clip(
        options.out,
        truth,
        harbour(options.seed, 1024),
        options.seed,
        options.samples,
        options.crf,
        notes=notes,
    )


if __name__ == "__main__":
    main()
