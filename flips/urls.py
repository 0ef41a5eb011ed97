"""Every address of the program: one list a subject, kept beside its pages."""

from django.urls import include, path

SUBJECTS: list[str] = [
    "flips.pages.pieces",
    "flips.pages.photos",
    "flips.pages.parts",
    "flips.pages.bench",
    "flips.pages.hours",
    "flips.pages.faults",
    "flips.pages.remedies",
    "flips.pages.trying",
    "flips.pages.finds",
    "flips.pages.techniques",
    "flips.pages.products",
    "flips.pages.recipes",
    "flips.pages.finishing",
    "flips.pages.colours",
    "flips.pages.wood",
    "flips.pages.sales",
    "flips.pages.money",
    "flips.pages.years",
    "flips.pages.opening",
    "flips.pages.stock",
    "flips.pages.counting",
    "flips.pages.receipts",
    "flips.pages.papers",
    "flips.pages.calculators",
    "flips.pages.materials",
    "flips.pages.estimates",
    "flips.pages.cutting",
    "flips.pages.shopping",
    "flips.pages.people",
    "flips.pages.more",
    "flips.pages.history",
    "flips.pages.undo",
    "flips.pages.settings",
    "flips.pages.offline",
    "flips.pages.look",
]

urlpatterns = [path("", include(subject)) for subject in SUBJECTS]
