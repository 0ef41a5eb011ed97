"""What to look at before buying, by kind of furniture: our own lists, common practice, no source.

Every question is put so that "yes" means trouble. The minutes are a rough guess of what putting it right takes, used
only to set something aside for what was not looked at; they are nobody's measurement.
"""

from __future__ import annotations

from dataclasses import dataclass

from flips import usual_parts
from flips.models.remedies import FaultKind


@dataclass(frozen=True)
class Question:
    """One thing to look at: its key in the records, how it is asked, and what a yes means.

    ``stop`` is what to do before anything else when the answer is yes; empty for an ordinary fault.
    """

    key: str
    text: str
    fault: FaultKind
    minutes: int
    stop: str = ""


K = FaultKind

LIVE_INSECTS = Question(
    "live-insects",
    "Fresh dust under small holes, or anything alive?",
    K.INSECTS,
    180,
    "Keep it out of the shop and away from other wood. Live insects spread: have it treated first, or walk away.",
)
OLD_PAINT = Question(
    "suspected-lead",
    "Paint that may be from before 1978, or of unknown age?",
    K.OLD_PAINT,
    240,
    "Treat it as lead until it is tested: no sanding, no scraping dry, no heat. Local rules come first, and where they"
    " ask for a licensed person, leave it to one.",
)
WIRING = Question(
    "unsafe-wiring",
    "A cord or wiring that is cracked, bare or patched?",
    K.WIRING,
    90,
    "Do not plug it in. Cut nothing that may be live; wiring is for a licensed electrician.",
)
MOULD = Question(
    "mould",
    "Mould, or a musty smell that stays?",
    K.MOULD,
    120,
    "Keep it apart and outdoors, wear a mask that fits. Where much of it is mouldy, walk away.",
)
ASBESTOS = Question(
    "heat-board",
    "Grey or white board or cloth near a heat source, crumbling?",
    K.OTHER,
    0,
    "It may hold asbestos: do not touch, break or sand it. Leave it to somebody licensed for it.",
)
BED_BUGS = Question(
    "bed-bugs",
    "Dark specks, cast skins or stains in the seams?",
    K.INSECTS,
    0,
    "Do not bring it in, not even for a night.",
)
MERCURY = Question(
    "mercury-backing",
    "A very old mirror with a grey, metallic, weeping back?",
    K.GLASS,
    0,
    "The backing may hold mercury: do not scrape or heat it, keep it upright and wrapped, and ask somebody licensed.",
)

EVERYTHING = (
    LIVE_INSECTS,
    OLD_PAINT,
    MOULD,
    Question("smell", "Does it smell of smoke, pets or mothballs?", K.SMELL, 90),
    Question("rocks", "Does it rock or rack when pushed?", K.LOOSE_JOINT, 90),
    Question("bad-repair", "Screws, nails or fillers from an earlier repair?", K.BAD_REPAIR, 60),
    Question("missing", "Is a part or piece of moulding missing?", K.MISSING_PART, 90),
)
VENEER = (
    Question("lifted-veneer", "Veneer lifted, or does it click when tapped?", K.LIFTED_VENEER, 90),
    Question("missing-veneer", "Chips of veneer gone, at edges or corners?", K.MISSING_VENEER, 90),
)
SURFACE = (
    Question("white-marks", "White rings or haze on the top?", K.WHITE_MARKS, 45),
    Question("dark-stain", "Dark stains or black rings?", K.DARK_STAIN, 150),
    Question("top-worn", "Finish worn through, sticky or crazed?", K.WORN_FINISH, 180),
)
DRAWERS = (
    Question("drawers-stick", "Does a drawer stick, drop or tip?", K.STICKS, 45),
    Question("drawer-bottoms", "Drawer bottoms swollen, sagging or split?", K.SWOLLEN, 60),
    Question("drawer-joints", "Drawer corners loose or open?", K.LOOSE_JOINT, 45),
    Question("handles", "A handle, knob or lock missing or odd?", K.HARDWARE, 30),
)
DOORS = (
    Question("doors-hang", "Do the doors sag, rub or stay open?", K.STICKS, 45),
    Question("glass", "Glass cracked, loose or missing?", K.GLASS, 60),
)
FEET = (
    Question("feet", "Feet or base swollen, rotten or broken?", K.WATER_DAMAGE, 120),
    Question("back", "Back loose, warped or stained by water?", K.WATER_DAMAGE, 60),
)

LISTS: dict[str, tuple[Question, ...]] = {
    "Dresser": (*EVERYTHING, *DRAWERS, *VENEER, *SURFACE, *FEET),
    "Nightstand": (*EVERYTHING, *DRAWERS, *VENEER, *SURFACE),
    "Cabinet": (*EVERYTHING, *DOORS, *DRAWERS[:1], *VENEER, *SURFACE, *FEET),
    "Bookcase": (
        *EVERYTHING,
        Question("shelves-sag", "Do shelves sag, or are pins and rails missing?", K.WARPED, 60),
        *VENEER,
        *SURFACE,
        *FEET,
    ),
    "Desk": (
        *EVERYTHING,
        *DRAWERS,
        Question("writing-surface", "Leather or lining of the top torn or bubbled?", K.UPHOLSTERY, 120),
        *VENEER,
        *SURFACE,
    ),
    "Table": (
        *EVERYTHING,
        Question("top-flat", "Is the top cupped, split or open at a joint?", K.WARPED, 180),
        Question("leaves", "Leaves missing, of another colour, or do the slides jam?", K.STICKS, 90),
        Question("legs", "Is a leg loose, split or repaired?", K.LOOSE_JOINT, 90),
        *SURFACE,
        *VENEER,
    ),
    "Chair": (
        *EVERYTHING,
        Question("joints", "Do joints move when you twist the back?", K.LOOSE_JOINT, 120),
        Question("cracks", "A crack in a leg, rail or the seat?", K.SPLIT, 90),
        Question("seat", "Seat, cane or rush broken or sagging?", K.UPHOLSTERY, 150),
        Question("set", "Sold as a set: does one differ or lack a part?", K.MISSING_PART, 60),
    ),
    "Upholstered": (
        *EVERYTHING,
        BED_BUGS,
        Question("frame-creaks", "Does the frame creak or give when you sit?", K.LOOSE_JOINT, 150),
        Question("springs", "Springs through, webbing slack, seat sunk?", K.UPHOLSTERY, 240),
        Question("cover", "Cover torn, stained or brittle?", K.UPHOLSTERY, 300),
        Question("foam", "Foam or padding crumbling?", K.UPHOLSTERY, 150),
    ),
    "Mirror": (
        *EVERYTHING,
        MERCURY,
        Question("silvering", "Black spots or clouds in the silvering?", K.GLASS, 60),
        Question("glass-cracked", "Glass chipped or cracked?", K.GLASS, 60),
        Question("frame-corners", "Frame corners open?", K.LOOSE_JOINT, 60),
        Question("ornament", "Plaster or carved ornament broken off?", K.MISSING_PART, 150),
        Question("hanging", "Hanging wire, hooks or supports weak?", K.HARDWARE, 30),
    ),
    "Radio cabinet": (
        *EVERYTHING,
        WIRING,
        ASBESTOS,
        *VENEER,
        Question("speaker-cloth", "Speaker cloth torn or stained?", K.UPHOLSTERY, 60),
        Question("dial", "Dial glass or knobs missing or cracked?", K.HARDWARE, 60),
        Question("lid", "Lid or doors warped, stay or hinges broken?", K.WARPED, 60),
        *SURFACE,
        *FEET[:1],
    ),
    "Bed": (
        *EVERYTHING,
        BED_BUGS,
        Question("rails", "Rail hooks bent, or holes in the posts worn?", K.HARDWARE, 60),
        Question("slats", "Slats or centre support missing or cracked?", K.MISSING_PART, 60),
        *VENEER,
        *SURFACE[1:],
    ),
    "Bench or stool": (
        *EVERYTHING,
        Question("stool-joints", "Do joints move when you twist it?", K.LOOSE_JOINT, 90),
        Question("stool-seat", "Seat split, worn or sagging?", K.UPHOLSTERY, 90),
        *SURFACE,
    ),
    "Trunk": (
        *EVERYTHING,
        Question("lining", "Lining torn or stained?", K.UPHOLSTERY, 90),
        Question("metal", "Metal bands or corners rusted?", K.RUST, 120),
        Question("lid-fits", "Does the lid twist or not close?", K.WARPED, 60),
        Question("trunk-handles", "Handles, hasp or lock broken?", K.HARDWARE, 60),
    ),
    "Lamp": (*EVERYTHING, WIRING, Question("shade", "Shade torn, brittle or missing?", K.MISSING_PART, 30)),
    "Anything else": (*EVERYTHING, WIRING, *VENEER, *SURFACE),
}

# Looked for before the kinds that have lists of parts: a radio cabinet is no plain cabinet, an armchair no plain chair.
ALSO_CALLED = {
    "Radio cabinet": ("radio", "record cabinet", "phonograph", "gramophone", "hi-fi", "music cabinet"),
    "Upholstered": (
        "upholster",
        "armchair",
        "wing chair",
        "sofa",
        "settee",
        "couch",
        "club chair",
        "recliner",
    ),
    "Mirror": ("mirror", "looking glass"),
    "Lamp": ("lamp", "lantern"),
}


def kind_of(*texts: str) -> str:
    """The list that fits what was typed about a piece; "Anything else" when none does."""
    for text in texts:
        words = text.lower()
        for kind, names in ALSO_CALLED.items():
            # A dresser with a mirror is a dresser.
            if any(name in words for name in names) and not (kind == "Mirror" and usual_parts.kind_of(text)):
                return kind
    found = usual_parts.kind_of(*texts)
    return found if found in LISTS else "Anything else"


def question_of(kind: str, key: str) -> Question | None:
    """A question of a list by its key."""
    return next((one for one in LISTS.get(kind, ()) if one.key == key), None)


ALL_QUESTIONS = {one.key: one for rows in LISTS.values() for one in rows}
