"""Points that people move in what is under review: which there are, and what follows from them.

A teacher moves one on a page; where a photo is measured anew the points that were moved are solved for anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.measuring.outcome import ARM, INSTRUMENT, ArmQuestion, Outcome, Question
from service.measuring.pool import Measurer
from service.records.tables import Upload
from service.words.i18n import marked

MOVABLE = {
    ARM: {
        "side_neck": marked("side of the neck"),
        "shoulder": marked("shoulder"),
        "elbow": marked("elbow"),
        "wrist": marked("wrist"),
        "mid_palm": marked("middle of the palm"),
    },
    INSTRUMENT: {
        "scroll_top": marked("top of the scroll"),
        "body_top": marked("upper edge of the body"),
        "body_bottom": marked("lower edge of the body"),
    },
}
"""Points a teacher may move, as the measuring rooms name them."""
Points = Mapping[str, tuple[float, float]]
"""Places in px by the names of the points; ``@2`` behind one is the second of several photos."""


class NotMovable(Exception):
    """Raised where points are none of these pictures."""


@dataclass(frozen=True)
class View:
    """A picture of an upload on which points can be moved.

    Attributes
    ----------
    number : int
        Of the photo or film, from 1.
    points_px, drawn_px : dict
        Points as the program found them, and what is drawn beside them.
    size_px : tuple of int
        (width, height).
    film_s : float or None
        Where it is a frame of a film: how long after the film's first, s.
    """

    number: int
    points_px: dict[str, Any]
    drawn_px: dict[str, Any]
    size_px: tuple[int, int]
    film_s: float | None

    @property
    def file(self) -> str:
        """Its picture's name in the address."""
        return f"photo{self.number if self.number > 1 else ''}.jpg"

    @property
    def suffix(self) -> str:
        """What the names of its points end in."""
        return f"@{self.number}" if self.number > 1 else ""


def views_of(upload: Upload) -> list[View]:
    """The pictures on which points can be moved; none of several photos that were measured before that was possible."""
    result, corrected = upload.result or {}, upload.corrected or {}
    kept = result.get("views")
    if kept is None and (upload.views > 1 or upload.film_s is not None):
        return []
    size_px = upload.width_px or 1, upload.height_px or 1
    alone = {"points_px": result.get("points_px", {}), "drawn_px": result.get("drawn_px", {}), "size_px": size_px}
    moved = corrected.get("drawn_views", [])
    return [
        View(
            number,
            {name: place for name, place in each["points_px"].items() if name in MOVABLE[upload.kind]},
            moved[number - 1] if moved else each["drawn_px"],
            tuple(each["size_px"]),
            each.get("film_s"),
        )
        for number, each in enumerate(kept or [alone], start=1)
        if each is not None
    ]


async def solve_moved(
    pool: Measurer, sight: bytes, views: Sequence[View], question: Question, points: Points
) -> dict[str, Any]:
    """What follows from moved points, as `Upload.corrected` keeps it.

    Parameters
    ----------
    pool : Measurer
    sight : bytes
        What was seen in the pictures.
    views : sequence of View
        The pictures.
    question : Question
    points : Points

    Raises
    ------
    NotMovable
        If one of them is no point of these pictures, or the sight is of others.
    """
    moved = by_file(ARM if isinstance(question, ArmQuestion) else INSTRUMENT, views, points)
    outcome = await pool.solve(sight, question, moved)
    if outcome.result["usable"] and not _is_of_same_pictures(views, outcome):
        raise NotMovable
    drawn = [{} if each is None else each.drawn_px for each in outcome.views]
    return outcome.result | {"moved_px": dict(points), "drawn_views": drawn}


def by_file(kind: str, views: Sequence[View], points: Points) -> dict[int, dict[str, tuple[float, float]]]:
    """Moved points by the number of the file, from 0, in whose picture they were moved.

    Raises
    ------
    NotMovable
        If one of them is no point of these pictures.
    """
    known = {each.suffix: each for each in views}
    moved: dict[int, dict[str, tuple[float, float]]] = {}
    for key, place in points.items():
        name, at, number = key.partition("@")
        view = known.get(at + number)
        if view is None or name not in MOVABLE[kind]:
            raise NotMovable
        moved.setdefault(view.number - 1, {})[name] = place
    return moved


def _is_of_same_pictures(views: Sequence[View], outcome: Outcome) -> bool:
    """Whether what was seen is of the pictures that are kept: another release may choose other frames of a film."""
    seen = [(number, each.film_s) for number, each in enumerate(outcome.views, start=1) if each is not None]
    return seen == [(each.number, each.film_s) for each in views]
