"""The one family of errors a person is meant to read.

The low layers raise these with what was expected, what came, and what to do;
the command line prints the message and exits with code 2, without a traceback.
"""

from __future__ import annotations


class AutocalError(Exception):
    """Something a person can act on. The message names the file or option and the remedy."""


class FootageError(AutocalError):
    """A clip or picture cannot be used: missing, damaged, not stereo, wrong size."""


class DamagedFilmError(FootageError):
    """The file of a clip or film ends early or holds what cannot be: the message ends in what to do."""

    def __init__(self, said: str) -> None:
        """said: which file and what is wrong with it, without a full stop."""
        super().__init__(
            f"{said}. A recording that was cut off may have lost its index: repair it or export it anew"
        )


class LensError(AutocalError):
    """A lens description makes no sense: negative focal length, impossible field of view."""


class MatchError(AutocalError):
    """The footage holds too little that both eyes see."""


class TextureError(MatchError):
    """The footage shows too little detail, or too little that both eyes share, to be matched."""


class SolveError(AutocalError):
    """The matches do not determine a calibration."""


class CalibrationFileError(AutocalError):
    """A calibration file is damaged, foreign, or of a newer version."""


class OutputError(AutocalError):
    """The output place exists already or cannot be written."""


class ClusterError(AutocalError):
    """The workers of a batch cannot be reached or used."""
