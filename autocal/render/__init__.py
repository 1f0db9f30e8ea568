"""From a calibration and a clip to the film that people watch.

The flow: `clip` reads the pictures and their times; `view` says where each output sample looks;
`plan` works out from that all that is the same for every picture; `remap` and `kernel` make one plane by a
plan, `renderer` a whole picture; on a card, `remap_triton` with `kernel_triton` (or `remap_torch`) and
`renderer_torch` do, and `device` chooses. `encode` makes pieces of the film, `join` puts them together with
the clip's sound; `film` runs all of it at the same time. Numbered pictures are made by `clip_pictures` from
a clip and by `stills` from pictures; `numbered` lets them go on after an interruption.
"""
