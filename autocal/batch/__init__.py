"""A shoot day at once: checking, solving or rendering many clips, on one machine or many.

The flow: `clips` finds the clips and names them apart; `work` is what is done to one clip, in steps that
run anywhere; `engine` runs steps on the workers of a dask.distributed cluster; `run` leads every clip
through its steps; `table` makes one table of what came of it.
"""
