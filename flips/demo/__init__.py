"""The made-up people of the demo shop, as its seed makes them and its log-in page shows them."""

from __future__ import annotations

from dataclasses import dataclass

from flips.models.people import Role


@dataclass(frozen=True)
class DemoPerson:
    """Somebody who can log in to the demo; the password is public on purpose."""

    username: str
    password: str
    name: str
    role: Role

    @property
    def sees(self) -> str:
        """What logging in as this person shows."""
        return "sees everything" if self.role == Role.OWNER else "sees no money anywhere"


DEMO_PEOPLE = (
    DemoPerson(username="owner", password="owner", name="Marta", role=Role.OWNER),
    DemoPerson(username="helper", password="helper", name="Jonas", role=Role.HELPER),
)
