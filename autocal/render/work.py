"""The work folder of a film: its finished pieces, kept until the film is whole, so that it can go on.

It lies beside the film, named after it, and holds what the pieces were made with: pieces of another
film are never joined in.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from autocal.errors import OutputError

_ORDER = "order.json"


@dataclass(frozen=True)
class Piece:
    """Pictures first to last - 1 of the clip, and the file that they are encoded into."""

    number: int
    first: int
    last: int
    path: Path

    @property
    def is_done(self) -> bool:
        """Whether the piece is whole."""
        return self.path.exists()

    @property
    def repeated_path(self) -> Path:
        """Where the piece's bad pictures are noted, if it has any."""
        return self.path.with_suffix(".repeated.json")


class WorkFolder:
    """The work folder beside a film."""

    def __init__(self, film: Path) -> None:
        self._film = film
        self.path = film.parent / f".{film.name}.rendering"

    def prepare(self, order: dict[str, object]) -> None:
        """Make the folder ready for an order; pieces of another are removed, those of the same one stay.

        Raises OutputError where the folder cannot be written.
        """
        wanted = json.dumps(order, sort_keys=True, indent=1)
        note = self.path / _ORDER
        try:
            if note.exists() and note.read_text() == wanted:
                return
            self.remove()
            self.path.mkdir(parents=False)
            note.write_text(wanted)
        except OSError as error:
            raise OutputError(
                f"{self._film} cannot be written: {error.strerror or error}; check that the folder exists, "
                "may be written to and has room"
            ) from error

    def pieces(self, first: int, last: int, size: int) -> list[Piece]:
        """The film's pieces of `size` pictures, the last one shorter."""
        starts = range(first, last, size)
        return [
            Piece(n, start, min(start + size, last), self.path / f"piece-{n:06d}.piece")
            for n, start in enumerate(starts)
        ]

    def note_repeated(self, piece: Piece, places: Sequence[int]) -> None:
        """Keep which pictures of a piece were bad; to be called before the piece is whole."""
        if places:
            piece.repeated_path.write_text(json.dumps(list(places)))

    def repeated(self, pieces: Sequence[Piece]) -> list[int]:
        """The bad pictures of all pieces."""
        noted = [p.repeated_path for p in pieces if p.repeated_path.exists()]
        return sorted(place for path in noted for place in json.loads(path.read_text()))

    def remove_if_bare(self) -> None:
        """Delete the folder where no piece in it is whole: there is nothing to go on from."""
        if not any(self.path.glob("piece-*.piece")):
            self.remove()

    def remove(self) -> None:
        """Delete the folder and what this module put there; anything else is left, with the folder."""
        if not self.path.is_dir():
            return
        for path in (*self.path.glob("piece-*"), self.path / _ORDER):
            path.unlink(missing_ok=True)
        with suppress(OSError):  # where something that is not ours lies there
            self.path.rmdir()


def file_digest(path: Path) -> str:
    """SHA-256 of a small file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
