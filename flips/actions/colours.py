"""Matching colours: the photo, what is marked in it, the ranking that is worked out, the eye's pick, sample boards."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from PIL import Image

from finishes.colour import (
    GREY_CARD,
    WHITE_PAPER,
    Lab,
    Patch,
    Ranking,
    around,
    patch_in,
    rank,
    upright,
)
from finishes.models import Sample
from flips.actions.photos import keep_photos
from flips.models import ColourMark, ColourMatch, Moment, Person, Piece
from flips.models.finishing import FULL_SIDE, MarkKind, ReferenceKind
from flips.photos import PreparedPhoto

REFLECTANCE = {ReferenceKind.GREY: GREY_CARD, ReferenceKind.PAPER: WHITE_PAPER}
MOST_MARKS = 24


@transaction.atomic
def new_match(piece: Piece, *, by: Person, photo: PreparedPhoto, **fields: Any) -> ColourMatch:
    """A photo to be marked, kept with the piece."""
    (kept,) = keep_photos([photo], by=by, piece=piece, moment=Moment.DURING)
    match = ColourMatch(piece=piece, photo=kept, created_by=by, **fields)
    match.full_clean()
    match.save()
    return match


@dataclass(frozen=True)
class Marked:
    """One patch as it was marked: middle and half side in ten thousandths of the width (``y`` of the height)."""

    kind: str
    name: str
    x: int
    y: int
    half: int


def measure(match: ColourMatch, marks: Sequence[Marked]) -> dict[Marked, Patch]:
    """What the photo says at each mark. Raises ValidationError.

    It takes up to a second, so it is done before anything is locked.
    """
    targets = [one for one in marks if one.kind == MarkKind.TARGET]
    scraps = [one for one in marks if one.kind == MarkKind.SCRAP]
    if len(targets) != 1:
        raise ValidationError("Mark the old wood, once.")
    if not scraps:
        raise ValidationError("Mark at least one scrap.")
    if len(marks) > MOST_MARKS:
        raise ValidationError(f"{MOST_MARKS} marks are enough for one photo.")
    if len({one.name for one in scraps}) < len(scraps):
        raise ValidationError("Two scraps have the same name: call one of them otherwise.")
    return _patches(match, marks)


@transaction.atomic
def mark(match: ColourMatch, patches: Mapping[Marked, Patch], *, reference: str) -> ColourMatch:
    """Replaces the marks by those measured, and keeps the ranking that comes of them. Raises ValidationError."""
    match = ColourMatch.objects.select_for_update().get(pk=match.pk)
    marks = list(patches)
    target = next(one for one in marks if one.kind == MarkKind.TARGET)
    scraps = [one for one in marks if one.kind == MarkKind.SCRAP]
    kept = {(one.kind, one.name): one.sample_id for one in match.marks.all()}
    match.reference = reference
    ranking = rank(
        patches[target],
        [patches[one] for one in scraps],
        references=[patches[one] for one in marks if one.kind == MarkKind.REFERENCE],
        reflectance=REFLECTANCE.get(ReferenceKind(reference)),
    )
    match.notes = [{"code": note.code, "text": note.text} for note in ranking.notes]
    if match.pick and match.pick not in {one.name for one in scraps}:
        match.pick, match.pick_note = "", ""
    match.full_clean()
    match.save()
    match.marks.all().delete()
    ColourMark.objects.bulk_create(
        [_row(match, one, ranking, kept.get((one.kind, one.name))) for one in marks]
    )
    return match


def _patches(match: ColourMatch, marks: Sequence[Marked]) -> dict[Marked, Patch]:
    found: dict[Marked, Patch] = {}
    try:
        with match.photo.full.open("rb") as file, Image.open(file) as stored:
            photo = upright(stored)
    except (FileNotFoundError, OSError) as gone:
        raise ValidationError("That photo is not on disk any more: take another.") from gone
    for one in marks:
        place = around(
            one.x * photo.width / FULL_SIDE,
            one.y * photo.height / FULL_SIDE,
            radius=max(1.0, one.half * photo.width / FULL_SIDE),
        )
        try:
            found[one] = patch_in(photo, one.name, place=place)
        except ValueError as bad:
            raise ValidationError(str(bad)) from bad
    return found


def _hundredths(lab: Lab) -> dict[str, int]:
    return {
        "lightness_hundredths": max(0, min(10_000, round(lab.lightness * 100))),
        "a_hundredths": round(lab.a * 100),
        "b_hundredths": round(lab.b * 100),
    }


def _row(match: ColourMatch, one: Marked, ranking: Ranking, sample_id: int | None) -> ColourMark:
    row = ColourMark(
        match=match, kind=one.kind, name=one.name, x=one.x, y=one.y, half=one.half, sample_id=sample_id
    )
    if one.kind == MarkKind.TARGET:
        colour: dict[str, int] = _hundredths(ranking.target)
    elif one.kind == MarkKind.SCRAP:
        found = next(m for m in ranking.matches if m.name == one.name)
        colour = _hundredths(found.lab) | {"difference_hundredths": round(found.delta_e * 100)}
        row.level_with_best = found.level_with_best
        row.notes = [{"code": note.code, "text": note.text} for note in found.notes]
    else:
        colour = {}
    for name, value in colour.items():
        setattr(row, name, value)
    return row


@transaction.atomic
def pick(match: ColourMatch, *, name: str, note: str = "") -> ColourMatch:
    """Records what the eye picks; it wins over the figure. An empty name takes the pick back."""
    match = ColourMatch.objects.select_for_update().get(pk=match.pk)
    if name and not match.marks.filter(kind=MarkKind.SCRAP, name=name).exists():
        raise ValidationError(f"There is no scrap called {name} in this photo.")
    match.pick, match.pick_note = name, note if name else ""
    match.full_clean()
    match.save()
    return match


@transaction.atomic
def keep_sample(*, by: Person, scrap: ColourMark | None = None, **fields: Any) -> Sample:
    """A sample board; ``scrap`` gives it the colour that was measured in a photo."""
    sample = Sample(created_by=by, **fields)
    if scrap is not None:
        for name in ("lightness_hundredths", "a_hundredths", "b_hundredths"):
            setattr(sample, name, getattr(scrap, name))
    sample.full_clean()
    sample.save()
    if scrap is not None:
        scrap.sample = sample
        scrap.save(update_fields=["sample"])
    return sample
