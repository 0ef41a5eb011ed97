"""The shop and its people, for every test of the records and pages."""

import pytest
from django.test import Client

from tests.makers import make_helper, make_owner, make_shop

BY_PASSWORD = "django.contrib.auth.backends.ModelBackend"


def signed_in(person):
    """A client in which a person is logged in."""
    client = Client()
    client.force_login(person, backend=BY_PASSWORD)
    return client


@pytest.fixture
def shop(db):
    return make_shop()


@pytest.fixture
def owner(shop):
    return make_owner(username="owner", name="Vera")


@pytest.fixture
def helper(shop):
    return make_helper(username="helper", name="Tomas")


@pytest.fixture
def owner_client(owner):
    return signed_in(owner)


@pytest.fixture
def helper_client(helper):
    return signed_in(helper)
