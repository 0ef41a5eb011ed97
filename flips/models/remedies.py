"""Techniques the shop knows, faults on parts, what a survey found, and the remedies that might put a fault right."""

from __future__ import annotations

from fractions import Fraction
from typing import ClassVar, Self

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Lower
from django.urls import reverse

from estimating.chances import level as level_of
from finishes.cautions import Caution, cautions_for, hazards_of
from finishes.measures import Temperature, trim_decimal
from flips.models.parts import Part
from flips.models.pieces import Piece
from flips.models.records import (
    MILLION,
    Cents,
    Millionths,
    Voidable,
    VoidableQuerySet,
    not_negative,
    one_of,
)


class Level(models.TextChoices):
    """How likely she thinks it is, as the five buttons say it; the figures are in ``estimating.chances``."""

    ALMOST_SURE = "almost-sure", "Almost sure"
    LIKELY = "likely", "Likely"
    EVEN = "even", "Even"
    DOUBTFUL = "doubtful", "Doubtful"
    UNLIKELY = "unlikely", "Unlikely"


class Tag(models.TextChoices):
    """What a step asks of her and her neighbours, so that a wish can rule it out."""

    SMELLS = "smells", "Smells indoors"
    OUTDOORS = "outdoors", "Has to be done outdoors"
    DUST = "dust", "Raises dust"
    NOISE = "noise", "Is noisy"
    HEAT = "heat", "Takes heat"
    TWO_PEOPLE = "two_people", "Takes two people"
    NEW_TOOL = "new_tool", "Takes a tool I have to borrow or buy"


# What a hazard of the technique says about the step before she has said anything; common practice, no source.
TAGS_OF_HAZARDS: dict[str, Tag] = {
    "solvent vapour": Tag.SMELLS,
    "stripper": Tag.SMELLS,
    "spraying": Tag.SMELLS,
    "dust": Tag.DUST,
    "heat": Tag.HEAT,
}


class FaultKind(models.TextChoices):
    """What is wrong, in words the record can be searched by."""

    LIFTED_VENEER = "lifted_veneer", "Lifted veneer"
    BUBBLES = "bubbles", "Bubbles under the veneer"
    MISSING_VENEER = "missing_veneer", "Missing veneer"
    WHITE_MARKS = "white_marks", "White rings or haze"
    DARK_STAIN = "dark_stain", "Dark stain"
    WATER_DAMAGE = "water_damage", "Water damage"
    WORN_FINISH = "worn_finish", "Worn or crazed finish"
    OLD_PAINT = "old_paint", "Old paint"
    SCRATCHES = "scratches", "Scratches"
    DENTS = "dents", "Dents or gouges"
    BURN = "burn", "Burn"
    LOOSE_JOINT = "loose_joint", "Loose joint"
    BROKEN = "broken", "Broken part"
    SPLIT = "split", "Split or crack"
    WARPED = "warped", "Warped"
    SWOLLEN = "swollen", "Swollen"
    STICKS = "sticks", "Sticks or runs badly"
    MISSING_PART = "missing_part", "Missing part"
    HARDWARE = "hardware", "Hardware damaged or missing"
    RUST = "rust", "Rust"
    GLASS = "glass", "Glass or mirror damaged"
    UPHOLSTERY = "upholstery", "Upholstery worn"
    SMELL = "smell", "Bad smell"
    INSECTS = "insects", "Insects"
    MOULD = "mould", "Mould"
    WIRING = "wiring", "Wiring"
    BAD_REPAIR = "bad_repair", "Earlier repair that fails"
    OTHER = "other", "Something else"


class Severity(models.TextChoices):
    """How bad it is."""

    SLIGHT = "slight", "Slight"
    PLAIN = "plain", "Plain to see"
    BAD = "bad", "Bad"


class Settled(models.TextChoices):
    """What became of a fault."""

    OPEN = "open", "Open"
    FIXED = "fixed", "Put right"
    LEFT = "left", "Left as it is"
    PARTED = "parted", "Parted out"


class TechniqueQuerySet(VoidableQuerySet):
    """Many techniques."""

    def called(self, name: str) -> Self:
        """Live ones of that name, whatever its capitals."""
        return self.live().filter(name__iexact=" ".join(name.split()))


class Technique(Voidable):
    """A way of working that the shop knows, with its cautions and its own guess of how often it works."""

    name = models.CharField("technique", max_length=120)
    level = models.CharField("how often it works", max_length=12, choices=Level.choices, default=Level.EVEN)
    hazards_text = models.CharField("hazards", max_length=300, blank=True, default="")
    note = models.TextField("how you do it", blank=True, default="")

    objects: ClassVar = TechniqueQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["name", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("level", Level, name="technique_level_is_known"),
            models.CheckConstraint(
                name="technique_has_a_name",
                condition=~Q(name=""),
                violation_error_message="Say what the technique is called.",
            ),
            models.UniqueConstraint(
                Lower("name"),
                name="technique_named_once",
                condition=Q(voided_at__isnull=True),
                violation_error_message="There is a technique of that name already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("technique", args=[self.pk])

    @property
    def hazards(self) -> list[str]:
        """The hazards she keeps for it."""
        return [code for code in self.hazards_text.split(",") if code]

    @hazards.setter
    def hazards(self, codes: list[str]) -> None:
        self.hazards_text = ",".join(codes)

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What to be careful of: the hazards she keeps and those its name speaks of, gravest first."""
        return cautions_for({*self.hazards, *hazards_of(self.name)})

    @property
    def guess(self) -> Fraction:
        """The shop's own guess as a chance."""
        return level_of(self.level).chance

    def usual_tags(self) -> list[str]:
        """What its hazards say about doing it here."""
        hazards = {*self.hazards, *hazards_of(self.name)}
        return sorted({TAGS_OF_HAZARDS[code].value for code in hazards if code in TAGS_OF_HAZARDS})


class Answer(models.TextChoices):
    """What was seen when a survey question was asked."""

    YES = "yes", "Yes"
    NO = "no", "No"
    NOT_LOOKED = "not_looked", "Not looked"


class SurveyAnswer(Voidable):
    """One question of the survey of a piece and what was seen; "not looked" counts as a risk."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="survey_answers")
    question = models.CharField(max_length=60)
    answer = models.CharField(max_length=12, choices=Answer.choices, default=Answer.NOT_LOOKED)
    note = models.CharField("note", max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("answer", Answer, name="survey_answer_is_known"),
            models.UniqueConstraint(
                name="survey_question_once_a_piece",
                fields=["piece", "question"],
                condition=Q(voided_at__isnull=True),
                violation_error_message="That question has an answer already.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.question}: {self.get_answer_display()}"


class FaultQuerySet(VoidableQuerySet):
    """Many faults."""

    def open(self) -> Self:
        """Neither put right nor given up."""
        return self.live().filter(settled=Settled.OPEN)

    def with_parts(self) -> Self:
        """Each with its live parts at hand, so that lists ask once."""
        return self.prefetch_related(
            models.Prefetch("parts", Part.objects.live().order_by("place", "pk"), to_attr="part_list")
        )


class Fault(Voidable):
    """Something wrong with one or more parts of a piece."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="faults")
    parts = models.ManyToManyField(Part, blank=True, related_name="faults")
    kind = models.CharField("what is wrong", max_length=20, choices=FaultKind.choices)
    where = models.CharField("where", max_length=120, blank=True, default="")
    severity = models.CharField("how bad", max_length=10, choices=Severity.choices, default=Severity.PLAIN)
    note = models.CharField("note", max_length=200, blank=True, default="")
    fixed_cents = Cents("the piece brings once it is put right", null=True, blank=True)
    as_is_cents = Cents("the piece brings with it as it is", null=True, blank=True)
    as_parts_cents = Cents("its parts bring", null=True, blank=True)
    parting_minutes = models.PositiveIntegerField("time to part it out", default=0)
    settled = models.CharField(max_length=10, choices=Settled.choices, default=Settled.OPEN, editable=False)
    settled_on = models.DateField(null=True, blank=True, editable=False)
    own_order = models.BooleanField("in her own order", default=False, editable=False)

    objects: ClassVar = FaultQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("kind", FaultKind, name="fault_kind_is_known"),
            one_of("severity", Severity, name="fault_severity_is_known"),
            one_of("settled", Settled, name="fault_settled_is_known"),
            not_negative("fixed_cents", "as_is_cents", "as_parts_cents", name="fault_amounts_not_negative"),
            models.CheckConstraint(
                name="fault_settled_with_its_day",
                condition=Q(settled=Settled.OPEN, settled_on__isnull=True)
                | (~Q(settled=Settled.OPEN) & Q(settled_on__isnull=False)),
            ),
        ]

    def __str__(self) -> str:
        kind = self.get_kind_display()
        return f"{kind}: {self.where}" if self.where else kind

    def get_absolute_url(self) -> str:
        return reverse("fault", args=[self.pk])

    @property
    def is_open(self) -> bool:
        """Whether it still waits for something to be done about it."""
        return self.settled == Settled.OPEN

    def its_parts(self) -> list[Part]:
        """Its live parts, from ``with_parts`` where that was asked for."""
        fetched = getattr(self, "part_list", None)
        return list(self.parts.live().order_by("place", "pk")) if fetched is None else fetched

    @property
    def material(self) -> str:
        """What its first part of known material is made of; "unknown" without one."""
        known = [part.material for part in self.its_parts() if part.material != "unknown"]
        return known[0] if known else "unknown"


class RemedyQuerySet(VoidableQuerySet):
    """Many remedies."""

    def in_order(self) -> Self:
        """As she placed them."""
        return self.order_by("place", "pk")

    def with_steps(self) -> Self:
        """Each with its live steps, techniques, planned materials and links at hand, in a fixed number of queries."""
        steps = (
            RemedyStep.objects.live()
            .select_related("technique", "shares__technique")
            .prefetch_related(
                models.Prefetch("materials", StepMaterial.objects.live(), to_attr="material_list")
            )
            .order_by("place", "pk")
        )
        return self.prefetch_related(
            models.Prefetch("steps", steps, to_attr="step_list"), "needs_first", "spoils"
        )


class Remedy(Voidable):
    """One way to put a fault right: steps in order, all of which must work."""

    fault = models.ForeignKey(Fault, on_delete=models.PROTECT, related_name="remedies")
    name = models.CharField("remedy", max_length=120)
    place = models.PositiveIntegerField(default=0, editable=False)
    needs_first = models.ManyToManyField(
        "self", symmetrical=False, blank=True, related_name="needed_by", verbose_name="only after"
    )
    spoils = models.ManyToManyField(
        "self", symmetrical=False, blank=True, related_name="spoiled_by", verbose_name="makes impossible"
    )
    leaves_usable = models.CharField("if it fails, this stays usable", max_length=200, blank=True, default="")
    ruled_out = models.CharField("ruled out because", max_length=200, blank=True, default="")
    note = models.CharField("note", max_length=200, blank=True, default="")

    objects: ClassVar = RemedyQuerySet.as_manager()

    class Meta(Voidable.Meta):
        ordering = ["place", "pk"]
        verbose_name_plural = "remedies"
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="remedy_has_a_name",
                condition=~Q(name=""),
                violation_error_message="Say what the remedy is.",
            ),
            models.UniqueConstraint(
                "fault",
                Lower("name"),
                name="remedy_named_once_a_fault",
                condition=Q(voided_at__isnull=True),
                violation_error_message="This fault has a remedy of that name already.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def get_absolute_url(self) -> str:
        return reverse("remedy", args=[self.pk])

    def its_steps(self) -> list[RemedyStep]:
        """Its live steps in order, from ``with_steps`` where that was asked for."""
        fetched = getattr(self, "step_list", None)
        if fetched is None:
            rows = self.steps.live().select_related("technique", "shares__technique")
            return list(rows.order_by("place", "pk"))
        return fetched


class RemedyStep(Voidable):
    """One step of a remedy: a technique with its time, money and chance, and what it asks for.

    A step that ``shares`` another one is the same work: done once, paid once, with the other's figures.
    """

    remedy = models.ForeignKey(Remedy, on_delete=models.PROTECT, related_name="steps")
    technique = models.ForeignKey(Technique, on_delete=models.PROTECT, related_name="steps")
    place = models.PositiveIntegerField(default=0, editable=False)
    minutes = models.PositiveIntegerField("time", default=0)
    money_cents = Cents("money", default=0)
    level = models.CharField("chance", max_length=12, choices=Level.choices, default=Level.EVEN)
    days = models.PositiveSmallIntegerField("days of waiting", default=0)
    any_time = models.BooleanField("a test that can come at any point", default=False)
    shares = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="shared_by"
    )
    tags_text = models.CharField("what it asks for", max_length=120, blank=True, default="")
    least_millicelsius = models.IntegerField("not colder than", null=True, blank=True)
    clamps = models.PositiveSmallIntegerField("clamps it takes", null=True, blank=True)
    note = models.CharField("note", max_length=200, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["place", "pk"]
        constraints = [
            *Voidable.Meta.constraints,
            one_of("level", Level, name="remedy_step_level_is_known"),
            not_negative("money_cents", name="remedy_step_money_not_negative"),
            models.CheckConstraint(
                name="remedy_step_within_a_month",
                condition=Q(minutes__lte=60 * 24 * 30),
                violation_error_message="That is more than a month of work: split it.",
            ),
            models.CheckConstraint(
                name="remedy_step_shares_another",
                condition=Q(shares__isnull=True) | ~Q(shares=F("pk")),
                violation_error_message="A step can't be the same work as itself.",
            ),
        ]

    def __str__(self) -> str:
        return self.technique.name

    def get_absolute_url(self) -> str:
        return reverse("step", args=[self.pk])

    @property
    def root(self) -> RemedyStep:
        """The step whose figures count: the one it shares, or itself."""
        shared = self.shares
        return shared if shared is not None and not shared.is_void else self

    @property
    def guess(self) -> Fraction:
        """Her guess for this step as a chance."""
        return level_of(self.level).chance

    @property
    def tags(self) -> list[str]:
        """What it asks for, by key."""
        return [key for key in self.tags_text.split(",") if key]

    @tags.setter
    def tags(self, keys: list[str]) -> None:
        self.tags_text = ",".join(keys)

    @property
    def tag_words(self) -> list[str]:
        """What it asks for, in words."""
        return [str(Tag(key).label) for key in self.tags]

    @property
    def least_temperature(self) -> Temperature | None:
        """The coldest it may be done at, if she said so."""
        if self.least_millicelsius is None:
            return None
        return Temperature(Fraction(self.least_millicelsius, 1000))


class StepMaterial(Voidable):
    """What a step will take from stock, as planned."""

    step = models.ForeignKey(RemedyStep, on_delete=models.PROTECT, related_name="materials")
    material = models.CharField("material", max_length=120)
    quantity_millionths = Millionths("how much")
    unit = models.CharField("counted in", max_length=20, blank=True, default="")

    class Meta(Voidable.Meta):
        ordering = ["pk"]
        constraints = [
            *Voidable.Meta.constraints,
            models.CheckConstraint(
                name="step_material_is_something",
                condition=Q(quantity_millionths__gt=0),
                violation_error_message="Write a quantity above zero.",
            ),
        ]

    def __str__(self) -> str:
        return f"{trim_decimal(self.quantity, 3)} {self.unit} {self.material}".replace("  ", " ")

    @property
    def quantity(self) -> Fraction:
        """How much, in its unit."""
        return Fraction(self.quantity_millionths, MILLION)


class Reckoning(Voidable):
    """What a find was reckoned to be worth before it was bought, as typed in the store; kept to learn from."""

    piece = models.ForeignKey(Piece, on_delete=models.PROTECT, related_name="reckonings")
    asking_cents = Cents("asked", null=True, blank=True)
    low_cents = Cents("low price")
    likely_cents = Cents("likely price")
    high_cents = Cents("high price")
    minutes = models.PositiveIntegerField("hours", default=0)
    materials_cents = Cents("materials", default=0)
    other_cents = Cents("travel, delivery and help", default=0)
    reserve_cents = Cents("reserve", default=0)
    premium_hundredths = models.PositiveIntegerField("premium", default=0)
    tax_hundredths = models.PositiveIntegerField("tax", default=0)
    left_cents = models.BigIntegerField("left for the find")
    ceiling_cents = Cents("ceiling")

    class Meta(Voidable.Meta):
        ordering = ["-created_at", "-pk"]
        constraints = [
            *Voidable.Meta.constraints,
            not_negative(
                "asking_cents",
                "low_cents",
                "likely_cents",
                "high_cents",
                "materials_cents",
                "other_cents",
                "reserve_cents",
                "ceiling_cents",
                name="reckoning_amounts_not_negative",
            ),
            models.CheckConstraint(
                name="reckoning_prices_in_order",
                condition=Q(low_cents__lte=F("likely_cents")) & Q(likely_cents__lte=F("high_cents")),
                violation_error_message="Expected prices run from low over likely to high.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.piece}: ceiling {self.ceiling_cents}"
