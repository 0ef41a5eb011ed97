"""Draws the icons that need pixels: the same three coats as in icon.svg, without the round corners."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from PIL import Image, ImageDraw

GROUND = "#1d222e"
# Left, top, right, bottom on a 512 square; each coat reaches further than the one before.
COATS = (("#505869", 112, 128, 288, 196), ("#838ca0", 112, 222, 344, 290), ("#f4b740", 112, 316, 400, 384))
SIZES = (180, 192, 512)
# Drawn larger and shrunk, for smooth edges.
OVERSAMPLE = 4


def icon(size: int) -> Image.Image:
    """A square icon, full to the edge; what matters lies in the middle four fifths (maskable icons, W3C)."""
    side = size * OVERSAMPLE
    scale = side / 512
    image = Image.new("RGB", (side, side), GROUND)
    draw = ImageDraw.Draw(image)
    for colour, left, top, right, bottom in COATS:
        box = tuple(round(edge * scale) for edge in (left, top, right, bottom))
        draw.rounded_rectangle(box, radius=(box[3] - box[1]) // 2, fill=colour)
    return image.resize((size, size), Image.Resampling.LANCZOS)


class Command(BaseCommand):
    """Writes icon-<size>.png beside icon.svg."""

    help = "Draws the PNG icons anew."

    def handle(self, *_args: Any, **_options: Any) -> None:
        folder = Path(settings.BASE_DIR) / "flips" / "static" / "flips"
        for size in SIZES:
            icon(size).quantize(64).save(folder / f"icon-{size}.png", optimize=True)
        self.stdout.write(f"Drew {len(SIZES)} icons in {folder}.")
