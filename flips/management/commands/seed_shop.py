"""`python manage.py seed_shop`: the invented demo shop, through the shop's own actions."""

from __future__ import annotations

from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from flips.demo.story import ZONE, tell
from flips.models import Shop


class Command(BaseCommand):
    """Builds the demo shop in an empty database."""

    help = "Build the invented demo shop in an empty database."

    def handle(self, **_options: Any) -> None:
        """Refuses a database that has a shop already."""
        if Shop.current() is not None:
            raise CommandError("There is a shop in this database already: nothing was changed.")
        with timezone.override(ZONE):
            tell(today=timezone.localdate())
        self.stdout.write("The demo shop is built.")
