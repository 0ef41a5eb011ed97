"""The headings under which expenses are gathered."""

from __future__ import annotations

from django.db import transaction

from flips.models import ExpenseCategory, Person


@transaction.atomic
def add_category(*, name: str, tax_line: str, by: Person) -> ExpenseCategory:
    """A new heading for expenses."""
    category = ExpenseCategory(name=name, tax_line=tax_line, created_by=by)
    category.full_clean()
    category.save()
    return category
