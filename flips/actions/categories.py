"""The headings under which expenses are gathered."""

from __future__ import annotations

from django.db import transaction

from flips.models import ExpenseCategory, Person
from flips.schedule_c import USUAL_CATEGORIES


@transaction.atomic
def add_category(*, name: str, tax_line: str, by: Person) -> ExpenseCategory:
    """A new heading for expenses."""
    category = ExpenseCategory(name=name, tax_line=tax_line, created_by=by)
    category.full_clean()
    category.save()
    return category


@transaction.atomic
def add_usual(*, by: Person, with_lines: bool) -> int:
    """Adds the usual headings the shop does not have yet, with their lines of the US form if wanted; says how many."""
    known = {name.lower() for name in ExpenseCategory.objects.values_list("name", flat=True)}
    new = {name: line for name, line in USUAL_CATEGORIES.items() if name.lower() not in known}
    for name, line in new.items():
        add_category(name=name, tax_line=line if with_lines else "", by=by)
    return len(new)
