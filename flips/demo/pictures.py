"""Drawn stand-ins for photos: furniture in a few strokes, worn before and clean after. Nothing is downloaded."""

from __future__ import annotations

import io
import random
from collections.abc import Callable

from PIL import Image, ImageDraw, ImageFilter

WIDE, HIGH = 1200, 900
Colour = tuple[int, int, int]
WALL: dict[str, Colour] = {"before": (126, 120, 112), "during": (150, 146, 138), "after": (222, 216, 205)}
FLOOR: dict[str, Colour] = {"before": (84, 76, 70), "during": (112, 98, 84), "after": (171, 146, 118)}
WOODS: dict[str, Colour] = {
    "oak": (176, 134, 84),
    "walnut": (101, 70, 48),
    "pine": (204, 168, 112),
    "mahogany": (122, 60, 42),
    "teak": (158, 106, 62),
    "painted": (96, 120, 112),
}


def _shade(colour: Colour, by: float) -> Colour:
    return tuple(max(0, min(255, round(part * by))) for part in colour)  # type: ignore[return-value]


class _Scene:
    """One picture in the making: a wall, a floor, and boards with grain."""

    def __init__(self, wood: str, moment: str, seed: int) -> None:
        self.rng = random.Random(f"{wood} {moment} {seed}")
        self.moment = moment
        base = WOODS.get(wood, WOODS["oak"])
        self.wood = _shade(base, 0.72) if moment == "before" else base
        self.image = Image.new("RGB", (WIDE, HIGH), WALL[moment])
        self.pen = ImageDraw.Draw(self.image)
        self.pen.rectangle((0, HIGH * 0.72, WIDE, HIGH), fill=FLOOR[moment])
        for across in range(0, WIDE, 150):
            self.pen.line((across, HIGH * 0.72, across - 60, HIGH), fill=_shade(FLOOR[moment], 0.9), width=3)

    def board(
        self, box: tuple[float, float, float, float], *, light: float = 1.0, upright: bool = False
    ) -> None:
        """A board with its grain along the longer way."""
        fill = _shade(self.wood, light)
        self.pen.rectangle(box, fill=fill, outline=_shade(self.wood, 0.55), width=4)
        left, top, right, bottom = box
        for _ in range(int((right - left) * (bottom - top) / 3000)):
            shade = _shade(fill, self.rng.uniform(0.86, 1.1))
            if upright:
                x, y = self.rng.uniform(left + 4, right - 4), self.rng.uniform(top + 4, bottom - 4)
                self.pen.line(
                    (x, y, x + self.rng.uniform(-2, 2), min(bottom - 4, y + 90)), fill=shade, width=2
                )
            else:
                x, y = self.rng.uniform(left + 4, right - 4), self.rng.uniform(top + 4, bottom - 4)
                self.pen.line(
                    (x, y, min(right - 4, x + 140), y + self.rng.uniform(-2, 2)), fill=shade, width=2
                )

    def leg(self, x: float, top: float, bottom: float, *, wide: float = 34) -> None:
        """A leg that tapers to the floor."""
        foot = wide * 0.6
        self.pen.polygon(
            [(x, top), (x + wide, top), (x + (wide + foot) / 2, bottom), (x + (wide - foot) / 2, bottom)],
            fill=_shade(self.wood, 0.8),
        )

    def knob(self, x: float, y: float) -> None:
        """A drawer knob."""
        self.pen.ellipse((x - 13, y - 13, x + 13, y + 13), fill=(188, 162, 98), outline=(92, 76, 40), width=3)

    def wear(self, box: tuple[float, float, float, float]) -> None:
        """White rings, scratches and a missing flake, on a piece that has not been put right."""
        if self.moment != "before":
            return
        left, top, right, bottom = box
        for _ in range(4):
            x, y = self.rng.uniform(left + 20, right - 60), self.rng.uniform(top + 6, bottom - 6)
            size = self.rng.uniform(26, 56)
            self.pen.ellipse((x, y - size / 4, x + size, y + size / 4), outline=(214, 208, 196), width=3)
        for _ in range(9):
            x, y = self.rng.uniform(left, right - 60), self.rng.uniform(top, bottom)
            self.pen.line(
                (x, y, x + self.rng.uniform(20, 80), y + self.rng.uniform(-24, 24)),
                fill=(208, 190, 160),
                width=2,
            )
        x, y = self.rng.uniform(left, right - 70), bottom
        self.pen.polygon([(x, y), (x + 60, y), (x + 34, y - 26)], fill=(196, 168, 128))

    def jpeg(self) -> bytes:
        """The picture as a camera would give it."""
        if self.moment == "during":
            self.pen.rectangle((70, 700, 320, 760), fill=(212, 184, 132), outline=(120, 96, 60), width=3)
            self.pen.ellipse((980, 690, 1090, 770), fill=(120, 130, 140), outline=(60, 66, 72), width=4)
        out = io.BytesIO()
        self.image.filter(ImageFilter.GaussianBlur(0.8)).save(out, "JPEG", quality=80)
        return out.getvalue()


def _chest(scene: _Scene, *, drawers: int = 3) -> None:
    for x in (330, 836):
        scene.leg(x, 700, 770)
    scene.board((300, 250, 900, 705))
    scene.board((280, 222, 920, 262), light=1.1)
    step = 420 / drawers
    for row in range(drawers):
        top = 274 + row * step
        scene.board((322, top, 878, top + step - 14), light=1.05)
        scene.knob(450, top + step / 2 - 6)
        scene.knob(750, top + step / 2 - 6)
    scene.wear((290, 226, 910, 300))


def _desk(scene: _Scene) -> None:
    scene.board((200, 330, 1000, 372), light=1.1)
    scene.board((220, 372, 460, 700))
    for row in range(2):
        scene.board((236, 388 + row * 110, 444, 488 + row * 110), light=1.05)
        scene.knob(340, 438 + row * 110)
    scene.board((460, 372, 980, 430))
    scene.leg(930, 430, 770)
    scene.leg(236, 700, 770)
    scene.leg(410, 700, 770)
    scene.wear((210, 332, 990, 372))


def _table(scene: _Scene) -> None:
    scene.board((180, 400, 1020, 450), light=1.1)
    scene.board((220, 450, 980, 500))
    for x in (230, 930):
        scene.leg(x, 500, 790, wide=46)
    scene.wear((190, 402, 1010, 450))


def _chair(scene: _Scene) -> None:
    scene.board((430, 200, 470, 520), upright=True)
    scene.board((720, 200, 760, 520), upright=True)
    for top in (220, 310, 400):
        scene.board((470, top, 720, top + 44))
    scene.board((400, 510, 800, 560), light=1.1)
    for x in (420, 740):
        scene.leg(x, 560, 800)
    scene.wear((405, 512, 795, 560))


def _cabinet(scene: _Scene) -> None:
    for x in (300, 866):
        scene.leg(x, 690, 770)
    scene.board((270, 270, 930, 700))
    scene.board((292, 296, 592, 676), light=1.05, upright=True)
    scene.board((608, 296, 908, 676), light=1.05, upright=True)
    scene.knob(560, 486)
    scene.knob(640, 486)
    scene.wear((280, 280, 920, 420))


def _mirror(scene: _Scene) -> None:
    scene.board((420, 140, 780, 740), upright=True)
    scene.pen.rectangle((460, 180, 740, 700), fill=(196, 210, 214))
    scene.pen.line((500, 640, 660, 240), fill=(224, 234, 236), width=14)
    scene.wear((422, 142, 458, 738))


def _shelf(scene: _Scene) -> None:
    scene.board((360, 160, 400, 780), upright=True)
    scene.board((800, 160, 840, 780), upright=True)
    for top in (160, 310, 460, 610, 744):
        scene.board((400, top, 800, top + 34), light=1.08)
    scene.wear((402, 310, 798, 344))


def _bench(scene: _Scene) -> None:
    scene.board((220, 470, 980, 540), light=1.1)
    for x in (250, 900):
        scene.leg(x, 540, 780, wide=48)
    scene.board((280, 620, 920, 652))
    scene.wear((230, 472, 970, 540))


SHAPES: dict[str, Callable[[_Scene], None]] = {
    "dresser": _chest,
    "nightstand": lambda scene: _chest(scene, drawers=2),
    "desk": _desk,
    "table": _table,
    "chair": _chair,
    "cabinet": _cabinet,
    "mirror": _mirror,
    "bookcase": _shelf,
    "bench": _bench,
}


def draw(kind: str, wood: str, moment: str, *, seed: int = 1) -> bytes:
    """A JPEG of a piece of furniture of ``kind`` ("before", "during" or "after" its work); same words, same picture."""
    scene = _Scene(wood, moment if moment in WALL else "during", seed)
    SHAPES.get(kind, _cabinet)(scene)
    return scene.jpeg()


def draw_slip(shop: str, rows: list[tuple[str, str]], total: str) -> bytes:
    """A JPEG of a paper receipt with its rows."""
    image = Image.new("RGB", (700, 240 + 46 * len(rows)), (148, 140, 128))
    pen = ImageDraw.Draw(image)
    pen.rectangle((90, 30, 610, image.height - 30), fill=(246, 244, 238))
    pen.text((120, 56), shop.upper(), fill=(40, 40, 40), font_size=30)
    for place, (what, amount) in enumerate(rows):
        top = 118 + place * 46
        pen.text((120, top), what[:26], fill=(50, 50, 50), font_size=22)
        pen.text((500, top), amount, fill=(50, 50, 50), font_size=22)
    pen.line((120, image.height - 104, 580, image.height - 104), fill=(90, 90, 90), width=2)
    pen.text((120, image.height - 90), "TOTAL", fill=(20, 20, 20), font_size=26)
    pen.text((490, image.height - 90), total, fill=(20, 20, 20), font_size=26)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return out.getvalue()
