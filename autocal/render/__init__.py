"""From a calibration and a clip to the film that people watch.

The flow: `clip` reads the pictures and their times; `view` says where each output sample looks;
`plan` works out from that all that is the same for every picture; `remap` and `kernel` (or
`remap_torch`) make one plane by a plan, `renderer` a whole picture; `encode` makes pieces of the
film, `join` puts them together with the clip's sound; `film` runs all of it at the same time.
"""
